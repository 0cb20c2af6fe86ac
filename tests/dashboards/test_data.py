"""What pages keep: words of people change what is made of them, and nothing else is asked anew."""

import shutil
from collections.abc import Callable
from pathlib import Path

import data
import polars as pl
import pytest

from runlog.notes import cause_note, in_force, remark_note, withdrawal
from runlog.store import Store


@pytest.fixture
def place(shop_on_disk: tuple[Path, Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], data.Place]:
    """The small shop, to be written to, as it is now."""
    store, site = shutil.copytree(shop_on_disk[0], tmp_path / "store"), shop_on_disk[1]
    monkeypatch.setenv("RUNLOG_STORE", str(store))
    monkeypatch.setenv("RUNLOG_SITE", str(site))
    return data.place


def written(rows: pl.DataFrame) -> None:
    here = data.place()
    Store(here.store).add("notes", rows)


def cause_of_first_stop(here: data.Place) -> tuple[str, str | None]:
    return data.review(here, None).stops.select("cause", "named_by").row(0)


def test_a_remark_changes_the_place_and_nothing_made_of_the_log(place):
    before, site = place(), data.site(place())
    review = data.review(before, None)
    written(remark_note("new coolant", review.window.night, site, machine=None, who="A. Turner"))
    after = place()
    assert after != before
    assert data.of_causes(after) == data.of_causes(before)
    assert data.review(after, None) is review


def test_a_name_changes_what_is_made_of_causes_until_it_is_taken_back(place):
    before, site = place(), data.site(place())
    review = data.review(before, None)
    machine, start, cause = review.stops.select("machine", "start", "cause").row(0)
    assert cause == "misfeed"
    written(cause_note(machine, start, "swarf nest", site, who="A. Turner"))
    named = place()
    assert data.of_causes(named) not in (data.of_causes(before), named)
    assert data.of_log(named) == data.of_log(before)
    assert data.site(named) is site
    assert cause_of_first_stop(named) == ("swarf nest", "A. Turner")
    # The log's own word is still to be had.
    assert data.facts(data.of_log(named))["stops"].collect()["named_by"].null_count() == review.stops.height
    assert data.of_causes(data.of_causes(named)) == data.of_causes(named)
    assert data.of_causes(data.of_log(named)) == data.of_log(named)
    # Another word leaves it named.
    written(remark_note("new coolant", review.window.night, site, machine=None, who="A. Turner"))
    assert data.review(place(), None) is data.review(named, None)
    notes = in_force(Store(named.store).held("notes"))
    name = notes.filter(pl.col("kind") == "cause")["note"][0]
    written(withdrawal(notes, name, who="B. Setter"))
    assert cause_of_first_stop(place()) == ("misfeed", None)
    assert data.of_causes(place()) == data.of_causes(before)


def test_a_place_told_by_its_causes_stays_itself(place):
    here = data.of_causes(place())
    assert data.of_causes(here) == here
    assert data.of_log(here) == data.of_log(place())


def test_a_page_begins_anew_when_somebody_names_a_cause_while_it_is_drawn(place, monkeypatch):
    """Else what it found would be kept as the answer of before, and come back with the name taken back."""
    before = place()
    machine, start = data.review(before, None).stops.select("machine", "start").row(0)
    written(cause_note(machine, start, "swarf nest", data.site(before), who="A. Turner"))
    begun, notes = place(), in_force(Store(before.store).held("notes"))
    named = data.of_causes(begun)
    written(withdrawal(notes, notes["note"][0], who="A. Turner"))

    def anew() -> None:
        raise InterruptedError

    monkeypatch.setattr(data.st, "rerun", anew)
    with pytest.raises(InterruptedError):
        data.review(named, None)
    assert cause_of_first_stop(place()) == ("misfeed", None)

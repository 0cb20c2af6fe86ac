"""Before and after a fix, counted by hand; and that a person's word can be taken back."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from figures.nights import DAY, SITE, facts, night
from polars.testing import assert_frame_equal

from runlog.errors import RunlogError
from runlog.figures.fault_health import fault_health
from runlog.figures.fixes import Chances, chances_of, fix_checks
from runlog.figures.reload_health import reload_health
from runlog.notes import fix_note, in_force, withdrawal
from runlog.schema import NOTES
from runlog.site import parse_site
from runlog.statistics.counts import rate_ratio
from runlog.store import Store

SHOP = parse_site(SITE)


def on(day: int) -> date:
    return (DAY + timedelta(days=day)).date()


def checked(frames, *notes: pl.DataFrame) -> dict:
    return fix_checks(frames, SHOP, in_force(pl.concat(notes).lazy())).row(0, named=True)


def fix(day: int, **columns: str) -> pl.DataFrame:
    return fix_note("T01", on(day), "new liner", SHOP, **{"who": "A"} | columns)


def nights(before: str, after: str, each: int = 10, **columns: object) -> list[dict]:
    """Ten nights, the night of the fix (day 10) full of faults, ten nights."""
    first = [night("T01", day, reloads=before, **columns) for day in range(each)]
    return [*first, night("T01", 10, reloads="rrrr"), *[night("T01", 11 + day, reloads=after) for day in range(each)]]


def test_fewer_faults_since():
    """10 faults in 100 reloads before, none in 100 after; the day of the fix counts on neither side."""
    row = checked(facts(*nights("c" * 9 + "r", "c" * 10)), fix(10))
    assert (row["faults_before"], row["chances_before"], row["faults_after"], row["chances_after"]) == (10, 100, 0, 100)
    assert (row["rate_before"], row["rate_after"], row["ratio"]) == (10, 0, 0)
    assert row["p_fewer"] == pytest.approx(0.5**10)
    assert row["p_fewer_by_shifts"] == pytest.approx(1 / 184_756)  # all ten of ten, of twenty shifts
    assert (row["verdict"], row["clean_to_decide"], row["job_change"]) == ("fewer since", None, None)
    assert row["sentence"].startswith("Fewer since: 0.00 times the rate (0.00 to ")


def test_undecided_says_how_many_clean_reloads_decide():
    """2 faults in 4 reloads of two nights before, none in 20 of four nights since."""
    row = checked(
        facts(*nights("cr", "cc", 2), *[night("T01", 13 + day, reloads="c" * 8) for day in range(2)]), fix(10)
    )
    assert (row["faults_before"], row["chances_before"], row["faults_after"], row["chances_after"]) == (2, 4, 0, 20)
    assert row["verdict"] == "undecided"
    more = row["clean_to_decide"]
    # By reloads that is decided; by shifts (2 of 2 against 0 of 4: 1/15) one more of 5 reloads is needed: 1/21.
    assert more == 5
    assert rate_ratio(0, 20 + more, 2, 4).p_lower <= 0.05
    assert "5 more reloads without a fault would show that there are fewer" in row["sentence"]


def test_one_fault_before_can_never_decide_anything_by_shifts():
    row = checked(facts(night("T01", 0, reloads="r"), night("T01", 11, reloads="c")), fix(10))
    assert row["verdict"] == "undecided"
    assert row["clean_to_decide"] is not None  # 1 in 1 before: twenty clean nights are 1 in 21


def test_more_since_none_before_and_nothing_since():
    assert checked(facts(*nights("c" * 10, "c" * 9 + "r")), fix(10))["verdict"] == "none before"
    frames = facts(night("T01", 9, reloads="r"), *nights("c" * 10, "ccr", 9))
    assert checked(frames, fix(10))["verdict"] == "more since"
    row = checked(facts(night("T01", 0, reloads="rc")), fix(10))
    assert (row["verdict"], row["ratio"]) == ("nothing since", None)


def test_a_fix_against_a_cause_is_per_hour():
    before = [night("T01", day, stops="m") for day in range(8)]
    after = [night("T01", 11 + day) for day in range(8)]
    row = checked(facts(*before, night("T01", 10, stops="mm"), *after), fix(10, cause="misfeed"))
    assert (row["chances"], row["faults_before"], row["chances_before"]) == ("hours", 8, 64)
    assert (row["verdict"], row["against"]) == ("fewer since", "misfeed")


def test_a_later_fix_against_the_same_ends_the_time_after():
    frames = facts(*nights("c" * 9 + "r", "c" * 10))
    row = checked(frames, fix(10), fix(13), fix(12, cause="misfeed"))
    assert row["chances_after"] == 20
    second = fix_checks(frames, SHOP, in_force(pl.concat([fix(10), fix(13)]).lazy())).row(1, named=True)
    assert (second["chances_before"], second["chances_after"]) == (20, 70)


def test_a_change_of_job_at_the_same_time_is_said():
    changed = {"machine": "T01", "from_job": "pin", "to_job": "cap", "start": DAY + timedelta(days=10, hours=1)}
    changed |= {"end": DAY + timedelta(days=10, hours=2)}
    before = [night("T01", day, reloads="c" * 9 + "r") for day in range(10)]
    after = [night("T01", 11 + day, reloads="c" * 10, job="cap") for day in range(10)]
    row = checked(facts(*before, *after, changeovers=[changed]), fix(10))
    assert (row["verdict"], row["job_change"], row["p_fewer_same_jobs"]) == ("fewer since", "pin -> cap", None)
    assert "coincides with a change of job (pin -> cap)" in row["sentence"]
    assert "as no job ran both before and after" in row["sentence"]
    # A day and more away it is another matter.
    assert checked(facts(*before, *after, changeovers=[changed]), fix(13))["job_change"] is None


def test_within_the_same_jobs_only_those_count():
    """Pin: 5 of 50 before and 5 of 50 after; cap, only before: 10 of 50. No change within pin."""
    before = [night("T01", day, reloads="c" * 9 + "r") for day in range(5)]
    cap = [night("T01", 5 + day, reloads="c" * 8 + "rr", job="cap") for day in range(5)]
    after = [night("T01", 11 + day, reloads="c" * 9 + "r") for day in range(5)]
    row = checked(facts(*before, *cap, *after), fix(10))
    assert row["p_fewer_same_jobs"] == pytest.approx(rate_ratio(5, 50, 5, 50).p_lower)
    assert row["ratio"] == pytest.approx((5 / 50) / (15 / 100))


def test_a_machine_is_judged_since_its_last_fix():
    """Ten faulty nights before the fix, ten clean ones after: nothing is left of it, unless the days are named."""
    frames = facts(*nights("c" * 9 + "r", "c" * 10), *[night("T02", day, reloads="c" * 10) for day in range(21)])
    held = in_force(fix(10).lazy())
    of = {"first": on(0), "last": on(30)}
    for health, faults in (
        (reload_health(frames, SHOP, dimensions=["machine"], fixes=held), 0),
        (reload_health(frames, SHOP, dimensions=["machine"]), 14),
        (reload_health(frames, SHOP, dimensions=["machine"], fixes=held, **of), 14),
        (reload_health(frames, SHOP, dimensions=["machine"], fixes=in_force(fix(10, cause="misfeed").lazy())), 14),
    ):
        row = health.groups.filter(pl.col("group") == "T01").row(0, named=True)
        assert (row["faults"], row["verdict"] == "chronic") == (faults, faults > 0)
        assert health.mended["machine"].to_list() == ([] if faults else ["T01"])
    stops = facts(*[night("T01", day, stops="m") for day in range(20)])
    told = fault_health(stops, SHOP, "misfeed", dimensions=["machine"], fixes=in_force(fix(10, cause="misfeed").lazy()))
    assert told.groups["faults"].to_list() == [9]
    assert told.points.filter(pl.col("scope") == "all").height == 20


def test_notes_are_added_and_taken_back_but_never_changed(tmp_path):
    store = Store(tmp_path / "store")
    assert in_force(store.held("notes")).height == 0
    first, second = fix(3, why="bent bars"), fix_note("T02", datetime(2026, 3, 5, 9, 30), "pusher", SHOP, who="B")
    store.add("notes", first)
    store.add("notes", second)
    held = in_force(store.held("notes"))
    assert held["text"].to_list() == ["new liner", "pusher"]
    assert held["at"].to_list() == [datetime(2026, 3, 5, tzinfo=UTC), datetime(2026, 3, 5, 9, 30, tzinfo=UTC)]
    assert held["until"].to_list() == [datetime(2026, 3, 6, tzinfo=UTC), datetime(2026, 3, 5, 9, 30, tzinfo=UTC)]
    store.add("notes", withdrawal(held, first["note"][0], who="B", why="wrong machine"))
    assert in_force(store.held("notes"))["text"].to_list() == ["pusher"]
    kept = store.held("notes").collect()
    assert kept.height == 3
    assert kept.filter(pl.col("kind") == "withdrawal")["why"].to_list() == ["wrong machine"]
    # Without a name it is the one noted last.
    assert withdrawal(pl.concat([first, second]), "", who="B")["withdraws"].to_list() == second["note"].to_list()
    # What is taken back cannot be taken back again.
    with pytest.raises(RunlogError, match="0 notes found, one expected"):
        withdrawal(in_force(store.held("notes")), first["note"][0], who="B")


@pytest.mark.parametrize(
    ("machine", "text", "cause", "said"),
    [
        ("T09", "x", None, "--machine T09: one of these expected: T01, T02, T03"),
        ("T01", "x", "colour", "--cause colour: one of these expected: magazine empty"),
        ("T01", " ", None, "nothing found, what was done expected"),
    ],
)
def test_a_note_that_speaks_of_nothing_is_refused(machine, text, cause, said):
    with pytest.raises(RunlogError, match=said):
        fix_note(machine, on(0), text, SHOP, who="A", cause=cause)


def test_no_fixes_are_an_empty_table():
    assert fix_checks(facts(night("T01", 0)), SHOP, NOTES.empty().collect()).height == 0


def test_chances_that_are_known_are_compared_alike():
    frames = facts(*(night("T01", day, reloads="cr" if day < 5 else "cc", stops="m") for day in range(10)))
    held = in_force(pl.concat([fix(5), fix(7), fix(6, cause="misfeed")]).lazy())
    asked = []

    def known(machine: str, cause: str | None) -> Chances:
        asked.append((machine, cause))
        return chances_of(frames, SHOP, machine, cause)

    assert_frame_equal(fix_checks(frames, SHOP, held, chances=known), fix_checks(frames, SHOP, held))
    assert set(asked) == {("T01", None), ("T01", "misfeed")}

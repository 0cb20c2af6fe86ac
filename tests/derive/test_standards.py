"""A job's standard that is edited holds from a shift on; shifts before keep the one that held, in whatever portions."""

from datetime import UTC, datetime

import polars as pl
import pytest
from derive.literal import SITE, log, second
from derive.test_onward import DAY, assert_same, put, written

from runlog.derive.anchors import shift_after, shift_before
from runlog.derive.before import Before
from runlog.derive.onward import Held, derive_all, derive_onward
from runlog.schema import EVENTS, PLANS
from runlog.site import parse_site, standard_of, with_standards

OLD = parse_site(SITE)
NEW = parse_site(SITE.replace("cycle_s = 100", "cycle_s = 90"))
DAYS = ["pins", "pins", "caps", "by night", "idle"] * 3 + ["pins", "pins"]
EDITED = datetime(2026, 1, 22, 23, 0, tzinfo=UTC)
"""Start of the day shift of the tenth day."""


@pytest.fixture(scope="module")
def events() -> pl.DataFrame:
    return log(written(DAYS, [])).collect()


@pytest.fixture(scope="module")
def whole(events):
    return derive_all(events.lazy(), [Held(None, OLD), Held(EDITED, NEW)], PLANS.empty())


def standard_times(facts) -> dict[bool, list[float]]:
    """PRI of the pin, of shifts before the edit and from then on: cycle plus 30 s / 5 parts."""
    rows = facts["shift_figures"].filter(pl.col("job") == "pin").collect()
    return {
        is_new: rows.filter((pl.col("shift_start") >= EDITED) == is_new)["pri_s"].unique().to_list()
        for is_new in (False, True)
    }


def test_old_shifts_keep_the_standard_that_held(whole):
    assert standard_times(whole) == {False: [106.0], True: [96.0]}


def test_all_but_what_the_standard_decides_is_as_with_one_standard(events, whole):
    one = derive_all(events.lazy(), [Held(None, OLD)], PLANS.empty())
    for name in ("parts", "reloads", "alarms", "carried", "cycles", "marks"):
        found, plain = (facts[name].collect() for facts in (whole, one))
        skip = [column for column in ("head",) if column in found.columns]
        assert (
            found.drop(skip).sort(found.drop(skip).columns).equals(plain.drop(skip).sort(plain.drop(skip).columns))
        ), name


@pytest.mark.parametrize("portion", [1, 3, 9, 12])
def test_what_comes_after_or_before_the_edit_gives_the_same(events, whole, portion):
    """The last days as news; or one day in the middle as a late one, before the edit or after it."""
    held = [Held(None, OLD), Held(EDITED, NEW)]
    is_new = events["at"].is_between(second((16 - portion) * DAY), second((17 - portion) * DAY), closed="left")
    old, new = events.filter(~is_new), events.filter(is_new)
    before = Before(
        derive_all(old.lazy(), held, PLANS.empty()),
        new.lazy().group_by("machine").agg(pl.col("at").min()),
        EVENTS.empty(),
        None,
    )

    def events_from(found: pl.DataFrame) -> pl.LazyFrame:
        since = events.lazy().join(found.lazy().select("machine", "begins"), on="machine", how="left")
        return EVENTS.conform(since.filter(pl.col("begins").is_null() | (pl.col("at") >= pl.col("begins"))))

    made = derive_onward(before, held, PLANS.empty(), events_from)
    facts = derive_all(events.lazy(), held, PLANS.empty()) if made is None else put(before.facts, *made)
    assert_same(facts, whole)


def test_a_standard_is_all_of_a_job_but_its_name_and_programs():
    assert standard_of(OLD.jobs[0]) != standard_of(NEW.jobs[0])
    assert with_standards(NEW, {"pin": standard_of(OLD.jobs[0])}) == OLD
    renamed = parse_site(SITE.replace('["O1"]', '["O9"]'))
    assert standard_of(renamed.jobs[0]) == standard_of(OLD.jobs[0])
    assert with_standards(OLD, {"pin": "{}"}) == OLD, "what cannot be read is left as it is"


def test_a_standard_begins_with_a_shift_that_no_unattended_window_holds():
    """Night 22:00 to 23:00 unattended, day 23:00 to 22:00: both begin outside a window or with it."""
    assert shift_before(OLD, datetime(2026, 1, 22, 23, 30, tzinfo=UTC)) == EDITED
    assert shift_before(OLD, datetime(2026, 1, 22, 22, 30, tzinfo=UTC)) == datetime(2026, 1, 22, 22, 0, tzinfo=UTC)
    assert shift_after(OLD, datetime(2026, 1, 22, 22, 30, tzinfo=UTC)) == EDITED

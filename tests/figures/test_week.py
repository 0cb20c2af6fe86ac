"""A week's review: the same whatever is held beside the week; sums of shifts: those of the roll-ups."""

from datetime import UTC, datetime

import polars as pl
import pytest
from figures.shop import shop
from polars.testing import assert_frame_equal

from runlog.figures.groups import SHIFT
from runlog.figures.period import period_of, weeks_of
from runlog.figures.rollup import TOTALS, summed, totals
from runlog.figures.shift_sums import REMNANT, shift_sums
from runlog.figures.stock import bar_account, bar_rows
from runlog.figures.week import held_near_weeks, week_review

NOW = datetime(2026, 12, 1, tzinfo=UTC)
FRAMES = ("machines", "plant", "account", "losses", "bars", "short", "changeovers", "by_shift", "changes", "trends")


@pytest.mark.parametrize("machine", [None, "T04"])
def test_weeks_held_together_are_reviewed_as_each_alone(machine):
    facts, site, _ = shop(seed=2, days=28, machines=4)
    weeks = [period_of(facts, site, week=one.name) for one in weeks_of(facts, site)]
    near = held_near_weeks(facts, weeks[0], weeks[-1])
    for week in weeks:
        alone = week_review(facts, site, NOW, week=week.week, machine=machine)
        beside = week_review(facts, site, NOW, week=week, machine=machine, near=near)
        for name in FRAMES:
            assert_frame_equal(getattr(beside, name), getattr(alone, name), rel_tol=1e-12)


def test_sums_of_shifts_are_those_of_the_roll_ups():
    facts, site, _ = shop(seed=2, days=28, machines=4)
    sums = shift_sums(facts)
    by_shift = summed(totals(facts["shift_figures"], facts["shift_plans"]), *SHIFT).collect()
    assert_frame_equal(sums.figures.select(*SHIFT, *TOTALS), by_shift.select(*SHIFT, *TOTALS), check_row_order=False)
    bars = bar_account(bar_rows(facts, site), ("machine", "shift")).filter(pl.col("bars") > 0).collect()
    assert bars.height > 100
    assert_frame_equal(sums.remnants, bars.select(*SHIFT, *REMNANT), check_row_order=False, rel_tol=1e-12)
    assert sums.of("T02").remnants["machine"].unique().to_list() == ["T02"]

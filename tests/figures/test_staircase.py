"""From plan to made parts in steps, by hand."""

import polars as pl
import pytest

from runlog.figures.staircase import staircase

ACCOUNT = pl.DataFrame({"planned_parts": [100.0], "good_parts": [70.0], "lost_parts": [30.0]})
LOSSES = pl.DataFrame(
    {
        "line": ["stops", "minor stops", "setting", "slow cycles", "scrap"],
        "cause": ["misfeed", "door opened", None, None, None],
        "lost_parts": [20.0, 4.0, 9.0, -5.0, 2.0],
    }
)


def test_steps_by_hand():
    """100 - 20 = 80, - 9 = 71, + 5 = 76, and what is left of 30 lost: 30 - (20 + 9 - 5) = 6."""
    steps = staircase(ACCOUNT, LOSSES, shown=3)
    assert steps.select("step", "kind", "top", "bottom", "parts").rows() == [
        ("planned", "planned", 100.0, 0.0, 100.0),
        ("misfeed", "lost", 100.0, 80.0, 20.0),
        ("setting", "lost", 80.0, 71.0, 9.0),
        ("slow cycles", "gained", 71.0, 76.0, -5.0),
        ("all others", "lost", 76.0, 70.0, 6.0),
        ("good parts", "made", 70.0, 0.0, 70.0),
    ]


UNMEASURED = ACCOUNT.with_columns(good_parts=pl.lit(None, pl.Float64))


def test_unmeasured_quality_ends_in_parts_made():
    steps = staircase(UNMEASURED, LOSSES.filter(pl.col("line") != "scrap"))
    assert steps["step"][-1] == "parts made"
    assert steps["bottom"][-2] == pytest.approx(70.0)
    assert "minor: door opened" in steps["step"].to_list()


def test_quality_measured_of_some_says_that_their_scrap_is_off():
    assert staircase(UNMEASURED, LOSSES)["step"][-1] == "made less known scrap"


def test_without_a_plan_there_are_none():
    assert staircase(ACCOUNT.with_columns(planned_parts=pl.lit(None, pl.Float64)), LOSSES).is_empty()

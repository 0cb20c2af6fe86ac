"""Trends of an invented shop, whose bar changes on T04 take longer week by week."""

from datetime import date

import polars as pl
from figures.shop import shop

from runlog.figures.period import period_of
from runlog.figures.shift_sums import shift_sums
from runlog.figures.trends import FIGURES, shift_series, trend_verdicts


def test_what_drifts_is_called_and_nothing_else():
    facts, site, _ = shop(seed=2, days=28, machines=4)
    told = trend_verdicts(shift_series(shift_sums(facts), period_of(facts, site)))
    called = told.filter(~pl.col("verdict").is_in(["steady", "too few to tell"]))
    assert set(called.select("machine", "figure", "verdict").iter_rows()) == {("T04", "reload_mean_s", "rising")}
    assert (called["after"] > called["before"]).all()
    assert (called["plan"] == 60).all()
    # T01, T02 and T03 are followed, too: every figure that their logs measure, in three kinds of shift.
    assert told.filter(pl.col("machine") == "T03")["figure"].n_unique() == len(FIGURES)


def test_what_was_not_measured_has_no_series():
    """T02 has no sub-spindle and counts no bad parts; T04 tells no speed at all."""
    facts, site, _ = shop(seed=2, days=28, machines=4)
    series = shift_series(shift_sums(facts), period_of(facts, site)).collect()
    figures = {machine: set(rows["figure"]) for (machine,), rows in series.group_by("machine")}
    assert not {"quality_ratio", "sub_utilisation"} & figures["T02"]
    assert not {"main_utilisation", "quality_ratio"} & figures["T04"]


def test_a_value_stands_beside_its_plan():
    facts, site, truth = shop()
    series = shift_series(shift_sums(facts), period_of(facts, site)).collect()
    night = (pl.col("machine") == "T01") & (pl.col("shift_date") == date(2026, 10, 6)) & (pl.col("shift") == "night")
    made = truth["shift_figures"].filter(night)["parts"].sum()
    planned = truth["shift_plans"].filter(night)["planned_parts"].item()
    got = series.filter(night & (pl.col("figure") == "plan_attainment")).row(0, named=True)
    assert (got["value"], got["plan"]) == (made / planned, 1)

"""Each figure shift by shift beside its plan, and a plain verdict per series: steady, rising, falling, stepped.

    series = shift_series(facts, site, period)     a value a machine, shift and figure
    told = trend_verdicts(series)                  a row a series

A series is one figure of one machine in one kind of shift: nights are compared with nights. It reaches back 13 weeks
from the end of the period.
"""

from dataclasses import replace
from datetime import timedelta
from typing import Final

import polars as pl

from runlog.figures.groups import in_shifts, with_groups
from runlog.figures.period import Period, in_period
from runlog.figures.rollup import rolled_up
from runlog.figures.trend_tests import verdicts
from runlog.figures.window import Facts
from runlog.site import Site

WINDOW_DAYS: Final = 91

FIGURES: Final[dict[str, str]] = {
    "plan_attainment": "parts made of those planned",
    "availability": "availability",
    "effectiveness": "effectiveness",
    "quality_ratio": "quality ratio",
    "main_utilisation": "main spindle turning",
    "sub_utilisation": "sub-spindle turning",
    "reload_mean_s": "mean bar change time [s]",
    "reload_faults_per_100": "bar change faults per 100",
    "minor_stops_per_hour": "minor stops per hour",
    "remnant_share": "remnant share of stock",
}
"""What is followed, and how it is called."""

_PLANS: Final[dict[str, pl.Expr]] = {
    "plan_attainment": pl.lit(1.0),
    "availability": pl.lit(1.0),
    "effectiveness": pl.lit(1.0),
    "quality_ratio": pl.lit(1.0),
    "reload_mean_s": pl.col("reload_planned_mean_s"),
    "remnant_share": pl.col("planned_remnant_share"),
}
"""What each is planned to be; the others have no plan."""


def shift_series(facts: Facts, site: Site, period: Period) -> pl.LazyFrame:
    """Every figure of every machine and shift up to the end of the period.

    Returns
    -------
    LazyFrame
        machine, shift, figure (of FIGURES), shift_date, value, plan (null without one). A figure that was not measured
        in a shift has no row, nor has a shift without planned busy time.
    """
    since = replace(period, first=period.last - timedelta(days=WINDOW_DAYS - 1))
    shift = ["machine", "shift_date", "shift"]
    figures, plans = (in_period(with_groups(facts[name], site), since) for name in ("shift_figures", "shift_plans"))
    hours = pl.col("pbt_s") / 3600
    rows = (
        rolled_up(figures, *shift, plans=plans)
        .filter(pl.col("pbt_s") > 0)
        .join(_remnants(facts, since), on=shift, how="left")
        # Minor stops are counted in the hours that the log speaks of.
        .with_columns(minor_stops_per_hour=pl.col("minor_stops") / (hours * pl.col("coverage")))
        .with_columns(
            _PLANS.get(name, pl.lit(None, pl.Float64)).cast(pl.Float64).alias(f"{name} plan") for name in FIGURES
        )
        .sort(shift)
        # A row a series, as sorting a hundred thousand values by four names takes as long as finding them.
        .group_by("machine", "shift", maintain_order=True)
        .agg("shift_date", *FIGURES, *(f"{name} plan" for name in FIGURES))
        .collect()
        .lazy()
    )
    series = [
        rows.select(
            "machine",
            "shift",
            "shift_date",
            figure=pl.lit(name),
            value=pl.col(name).cast(pl.List(pl.Float64)),
            plan=f"{name} plan",
        )
        for name in FIGURES
    ]
    return (
        pl.concat(series)
        .sort("machine", "shift", "figure")
        .explode("shift_date", "value", "plan")
        .filter(pl.col("value").is_finite())
        .select("machine", "shift", "figure", "shift_date", "value", "plan")
    )


def _remnants(facts: Facts, period: Period) -> pl.LazyFrame:
    known = pl.all_horizontal(pl.col("loaded_mm", "used_mm", "remnant_mm").is_not_null())
    bars = in_period(in_shifts(facts["bars"].filter(known), facts["shift_plans"], at="finished_at"), period)
    return bars.group_by("machine", "shift_date", "shift").agg(
        remnant_share=pl.col("remnant_mm").sum() / pl.col("loaded_mm").sum(),
        planned_remnant_share=pl.col("planned_remnant_mm").sum() / pl.col("loaded_mm").sum(),
    )


def trend_verdicts(series: pl.LazyFrame) -> pl.DataFrame:
    """Judge every series, all of them together (see `trend_tests`).

    Returns
    -------
    DataFrame
        machine, shift, figure, values (how many), verdict (steady, rising, falling, stepped, too few to tell), at
        (first day after a step), before and after (medians: of a step, its two sides; else of the first and last
        quarter), plan (median), p, q; changes first, the clearest on top.
    """
    held = (
        series.group_by("machine", "shift", "figure")
        .agg(pl.col("shift_date", "value").sort_by("shift_date"), plan=pl.col("plan").median())
        .sort("machine", "shift", "figure")
        .collect()
    )
    judged = verdicts([value.to_list() for value in held["value"]])
    told = pl.DataFrame(
        {
            "verdict": [one.shape for one in judged],
            "split": [one.step_at for one in judged],
            "p": [one.p for one in judged],
            "q": [one.q for one in judged],
        },
        schema={"verdict": pl.String, "split": pl.Int64, "p": pl.Float64, "q": pl.Float64},
    )
    values, split, quarter = pl.col("value"), pl.col("split"), (pl.col("value").list.len() / 4).ceil().cast(pl.Int64)
    steps = split.is_not_null()
    return (
        pl.concat([held, told], how="horizontal")
        .with_columns(
            values=values.list.len(),
            at=pl.when(steps).then(pl.col("shift_date").list.get(split.fill_null(0), null_on_oob=True)),
            before=values.list.head(pl.coalesce(split, quarter)).list.median(),
            after=pl.when(steps)
            .then(values.list.slice(split.fill_null(0)).list.median())
            .otherwise(values.list.tail(quarter).list.median()),
        )
        .sort(
            pl.col("verdict").is_in(["steady", "too few to tell"]),
            "q",
            "machine",
            "shift",
            "figure",
        )
        .select("machine", "shift", "figure", "values", "verdict", "at", "before", "after", "plan", "p", "q")
    )

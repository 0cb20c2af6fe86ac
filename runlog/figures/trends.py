"""Each figure shift by shift beside its plan, and a plain verdict per series: steady, rising, falling, stepped.

    series = shift_series(sums, period)     a value a machine, shift and figure
    told = trend_verdicts(series)           a row a series

A series is one figure of one machine in one kind of shift: nights are compared with nights. It reaches back 13 weeks
from the end of the period.
"""

from typing import Final

import polars as pl

from runlog.figures.groups import SHIFT
from runlog.figures.period import Period, in_period
from runlog.figures.rollup import with_ratios
from runlog.figures.shift_sums import ShiftSums, quarter_to
from runlog.figures.stock import share_of_stock
from runlog.figures.trend_tests import verdicts

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


def shift_series(sums: ShiftSums, period: Period) -> pl.LazyFrame:
    """Every figure of every machine and shift up to the end of the period.

    Returns
    -------
    LazyFrame
        machine, shift, figure (of FIGURES), shift_date, value, plan (null without one). A figure that was not measured
        in a shift has no row, nor has a shift without planned busy time.
    """
    since = quarter_to(period)
    figures, remnants = (in_period(rows.lazy(), since) for rows in (sums.figures, sums.remnants))
    hours = pl.col("pbt_s") / 3600
    rows = (
        with_ratios(figures.filter(pl.col("pbt_s") > 0))
        .join(remnants, on=SHIFT, how="left")
        # Minor stops are counted in the hours that the log speaks of.
        .with_columns(
            share_of_stock("remnant"),
            share_of_stock("planned_remnant"),
            minor_stops_per_hour=pl.col("minor_stops") / (hours * pl.col("coverage")),
        )
        .with_columns(
            _PLANS.get(name, pl.lit(None, pl.Float64)).cast(pl.Float64).alias(f"{name} plan") for name in FIGURES
        )
        .sort(SHIFT)
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
    judged = verdicts([one.to_numpy() for one in held["value"]])
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

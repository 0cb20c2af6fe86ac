"""What differs from the weeks before, and whether it is more than chance makes of weeks that are alike.

    told = week_changes(sums, period)       sums of its shifts and of those before it

Each figure of the shop and of each machine is set against the whole weeks before it, twelve at most. More than chance
means: a week so far from them would come by chance so rarely that of all that is called more than chance in a review
one in twenty is not (Benjamini-Hochberg). Weeks are taken as independent; a slow drift is for `trends`.
"""

from dataclasses import replace
from datetime import timedelta
from typing import Final

import polars as pl

from runlog.figures.period import Period, in_period
from runlog.figures.rollup import summed, with_ratios
from runlog.figures.shift_sums import REMNANT, ShiftSums
from runlog.figures.stock import share_of_stock
from runlog.statistics.next_value import LEAST, Values, next_range, surprise
from runlog.statistics.proportions import false_discovery_q

WEEKS: Final = 12
LEVEL: Final = 0.05

FIGURES: Final[dict[str, str]] = {
    "plan_attainment": "parts made of those planned",
    "availability": "availability",
    "effectiveness": "effectiveness",
    "quality_ratio": "quality ratio",
    "main_utilisation": "main spindle turning",
    "reload_faults_per_100": "bar change faults per 100",
    "reload_mean_s": "mean bar change time",
    "remnant_share": "remnant share of stock",
}
"""What is compared, and how it is called."""

SHARES: Final = (
    "plan_attainment",
    "availability",
    "effectiveness",
    "quality_ratio",
    "main_utilisation",
    "remnant_share",
)
"""Those that are told in per cent."""

CHANGES: Final = pl.Schema(
    {
        "machine": pl.String(),
        "figure": pl.String(),
        "value": pl.Float64(),
        "week_before": pl.Float64(),
        "low": pl.Float64(),
        "high": pl.Float64(),
        "weeks": pl.Int64(),
        "p": pl.Float64(),
        "verdict": pl.String(),
        "said": pl.String(),
    }
)
"""machine (null: the whole shop), figure (of FIGURES), value, the week before's; low and high, between which 95 of 100
weeks like those before would lie, and of how many weeks they are made; p; verdict: higher, lower, within chance, too
few weeks to tell; said, a sentence."""


def week_changes(sums: ShiftSums, period: Period) -> pl.DataFrame:
    """Set a week against those before it.

    Parameters
    ----------
    sums : ShiftSums
        Of the quarter up to its end, and of some days before, where the log has any: they tell that it is older.
    period : Period
        A week.

    Returns
    -------
    DataFrame
        CHANGES, the shop first; a figure that was not measured this week has no row.
    """
    told = _set_against(_weekly(sums, period), period)
    return _judged(told) if told.height else pl.DataFrame(schema=CHANGES)


def _weekly(sums: ShiftSums, period: Period) -> pl.DataFrame:
    """machine (null: all), figure, monday, value: of this week and the whole ones before it."""
    since = replace(period, first=period.first - timedelta(weeks=WEEKS))
    figures, remnants = (
        in_period(rows.lazy(), since).with_columns(monday=pl.col("shift_date").dt.truncate("1w"))
        for rows in (sums.figures, sums.remnants)
    )
    begin = sums.figures["shift_date"].min()
    wide = []
    for by in (["monday"], ["machine", "monday"]):
        shares = remnants.group_by(by).agg(pl.col(REMNANT).sum()).select(*by, share_of_stock("remnant"))
        rolled = with_ratios(summed(figures, *by)).join(shares, on=by, how="left")
        name = pl.col("machine") if "machine" in by else pl.lit(None, pl.String())
        wide.append(rolled.select(*FIGURES, "monday", machine=name))
    return (
        pl.concat(wide)
        # The week in which the log begins is not a whole one.
        .filter((pl.col("monday") >= pl.lit(begin)) | (pl.col("monday") == pl.lit(period.first)))
        .unpivot(FIGURES, index=["machine", "monday"], variable_name="figure", value_name="value")
        .filter(pl.col("value").is_finite())
        .sort("machine", "figure", "monday")
        .collect()
    )


def _set_against(weekly: pl.DataFrame, period: Period) -> pl.DataFrame:
    """A row a machine and figure of this week: CHANGES but verdict and said."""
    value, monday = pl.col("value"), pl.col("monday")
    before = value.filter(monday < period.first)
    told = (
        weekly.group_by("machine", "figure", maintain_order=True)
        .agg(
            value=value.filter(monday == period.first).first(),
            week_before=value.filter(monday == period.first - timedelta(weeks=1)).first(),
            weeks=before.count().cast(pl.Int64),
            mean=before.mean(),
            deviation=before.std(),
        )
        .filter(value.is_not_null())
    )
    enough = told.filter(pl.col("weeks") >= LEAST)
    held = Values(*(enough[name].to_numpy() for name in ("weeks", "mean", "deviation")))
    low, high = (pl.Series(reach) for reach in next_range(held))
    p = pl.Series(surprise(held, enough["value"].to_numpy()))
    tested = enough.select("machine", "figure", low=low, high=high, p=p)
    return told.join(tested, on=["machine", "figure"], how="left", nulls_equal=True, maintain_order="left")


def _judged(told: pl.DataFrame) -> pl.DataFrame:
    tested = told.filter(pl.col("p").is_not_null())
    q = tested.select("machine", "figure", q=pl.Series(false_discovery_q(tested["p"].to_numpy()), dtype=pl.Float64()))
    middle = (pl.col("low") + pl.col("high")) / 2
    verdict = (
        pl.when(pl.col("p").is_null())
        .then(pl.lit("too few weeks to tell"))
        .when(pl.col("q") > LEVEL)
        .then(pl.lit("within chance"))
        .when(pl.col("value") > middle)
        .then(pl.lit("higher"))
        .otherwise(pl.lit("lower"))
    )
    order = {name: place for place, name in enumerate(FIGURES)}
    return (
        told.join(q, on=["machine", "figure"], how="left", nulls_equal=True)
        .with_columns(verdict=verdict)
        .with_columns(said=_said())
        .sort("machine", pl.col("figure").replace_strict(order), nulls_last=False)
        .select(CHANGES.names())
    )


def _said() -> pl.Expr:
    who = pl.col("machine").fill_null("The shop")
    name = pl.col("figure").replace_strict(FIGURES)
    before = pl.when(pl.col("week_before").is_not_null()).then(pl.format(", {} the week before", shown("week_before")))
    reach = pl.format(" (the {} weeks before: {} to {})", "weeks", shown("low"), shown("high"))
    more = pl.col("verdict").is_in(["higher", "lower"])
    return pl.concat_str(
        pl.format("{}: {} {}", who, name, shown("value")),
        before.fill_null(""),
        pl.when(more).then(pl.format("; {} than chance makes it", "verdict")).otherwise(pl.format("; {}", "verdict")),
        reach.fill_null(""),
    )


def shown(column: str) -> pl.Expr:
    """A value of `figure` as people say it: per cent, seconds, or a rate."""
    value = pl.col(column)
    share = pl.format("{} %", (100 * value).round(1))
    return (
        pl.when(pl.col("figure").is_in(SHARES))
        .then(share)
        .when(pl.col("figure") == "reload_mean_s")
        .then(pl.format("{} s", value.round(1)))
        .otherwise(value.round(1).cast(pl.String))
    )

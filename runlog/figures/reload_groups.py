"""What reloads are looked at by: machine, diameter, lot, place in the magazine, hour of the run and so on.

Each reload that counts in a rate gets the name of its group in every dimension; null where the log does not tell.
"""

from typing import Final

import polars as pl

from runlog.figures.groups import in_shifts
from runlog.schema import BROUGHT_OUTCOMES, FAULT_OUTCOMES, UNRATED_OUTCOMES

DIMENSIONS: Final = (
    "plant", "machine", "diameter", "material", "bar lot", "liner", "pusher", "feed mode", "bar position",
    "hour of the run", "after a changeover",
)  # fmt: skip
"""What reloads are grouped by, one at a time."""

FIRST_BARS: Final = 3
"""So many reloads after a changeover are its first ones. Common practice."""
_LEAST_FILLING: Final = 3
_RATED: Final = (*BROUGHT_OUTCOMES, *FAULT_OUTCOMES)


def rated_reloads(reloads: pl.LazyFrame, changeovers: pl.LazyFrame, plans: pl.LazyFrame) -> pl.LazyFrame:
    """Reloads that count, with their groups and their unit.

    Parameters
    ----------
    reloads, changeovers : LazyFrame
        RELOADS and CHANGEOVERS.
    plans : LazyFrame
        SHIFT_PLANS: which shift an instant is in.

    Returns
    -------
    LazyFrame
        machine, start, shift_date, shift, rated (else empty or unclear: counted beside every rate), fault, and a text
        column for each of DIMENSIONS.
    """
    columns = ("machine", "start", "shift_date", "shift", "rated", "fault", *DIMENSIONS)
    rows = grouped_reloads(reloads, changeovers, plans)
    return rows.select(*dict.fromkeys(columns)).sort("machine", "start")


def grouped_reloads(reloads: pl.LazyFrame, changeovers: pl.LazyFrame, plans: pl.LazyFrame) -> pl.LazyFrame:
    """The same with all that RELOADS tells of each."""
    counted = reloads.filter(~pl.col("hand_load") & pl.col("outcome").is_in([*_RATED, *UNRATED_OUTCOMES]))
    placed = in_shifts(_after_changeover(_in_magazine(counted), changeovers), plans, at="start")
    return placed.with_columns(
        rated=~pl.col("outcome").is_in(UNRATED_OUTCOMES),
        fault=pl.col("outcome").is_in(FAULT_OUTCOMES),
        plant=pl.lit("all"),
        diameter=text_of_number("diameter_mm", " mm"),
        **{"bar lot": pl.col("lot"), "feed mode": pl.col("feed_mode"), "bar position": pl.col("place")},
        **{"hour of the run": _hour(), "after a changeover": pl.col("since")},
    ).drop("place", "since")


def text_of_number(column: str, unit: str) -> pl.Expr:
    """A number with its unit, without a decimal where it is whole."""
    text = pl.col(column).cast(pl.String).str.replace(r"\.0$", "")
    return text + pl.lit(unit)


def _in_magazine(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Add `place`: first, last or middle bar of the magazine; the last is the deepest that this machine ever reached.

    The last bar before a filling would not do: a magazine is filled when a reload has failed, too.
    """
    position = pl.col("bar_position")
    deepest = position.max().over("machine")
    return rows.with_columns(
        place=pl.when(position.is_null())
        .then(None)
        .when(position == 1)
        .then(pl.lit("first"))
        .when((position == deepest) & (deepest >= _LEAST_FILLING))
        .then(pl.lit("last"))
        .otherwise(pl.lit("middle"))
    )


def _after_changeover(rows: pl.LazyFrame, changeovers: pl.LazyFrame) -> pl.LazyFrame:
    """Add `since`: among the first reloads after a changeover, or later; null before the first changeover."""
    ends = changeovers.select("machine", changed_at="end").drop_nulls().sort("changed_at")
    joined = rows.sort("start").join_asof(
        ends, left_on="start", right_on="changed_at", by="machine", strategy="backward", check_sortedness=False
    )
    number = pl.int_range(1, pl.len() + 1).over("machine", "changed_at")
    return joined.with_columns(
        since=pl.when(pl.col("changed_at").is_null())
        .then(None)
        .when(number <= FIRST_BARS)
        .then(pl.lit(f"first {FIRST_BARS} bars"))
        .otherwise(pl.lit("later bars"))
    ).drop("changed_at")


def _hour() -> pl.Expr:
    hour = pl.col("run_hour")
    return (
        pl.when(hour.is_null())
        .then(None)
        .when(hour < 1)
        .then(pl.lit("first hour"))
        .when(hour < 4)
        .then(pl.lit("2nd to 4th hour"))
        .when(hour < 8)
        .then(pl.lit("5th to 8th hour"))
        .otherwise(pl.lit("later"))
    )

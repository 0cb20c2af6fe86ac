"""How far time, bars and the order reach, and which of them ends first."""

from typing import TypeVar

import polars as pl

Amount = TypeVar("Amount", float, pl.Expr)
"""A number, or a column of them: the formulas below hold for both."""


def standard_time_s(cycle_s: Amount, reload_s: Amount, parts_per_bar: Amount) -> Amount:
    """Planned run time per item, PRI (ISO 22400-2): the cycle and the part's share of a planned reload. [s]

    Examples
    --------
    >>> round(standard_time_s(75.0, 40.0, 24), 3)
    76.667
    """
    return cycle_s + reload_s / parts_per_bar


def endurance_s(parts_left: Amount, bars: Amount, parts_per_bar: Amount, cycle_s: Amount, reload_s: Amount) -> Amount:
    """How long the bar in the spindle and those in the magazine last. [s]

    Examples
    --------
    >>> endurance_s(0, 12, 24, 75.0, 40.0)
    22080.0
    """
    return parts_left * cycle_s + bars * (parts_per_bar * cycle_s + reload_s)


def in_stock(bars: Amount, parts_per_bar: Amount, parts_left: Amount) -> Amount:
    """Parts that the bar in the spindle and those in the magazine hold.

    Examples
    --------
    >>> in_stock(12, 24, 0)
    288
    """
    return bars * parts_per_bar + parts_left


def with_planned_parts(rows: pl.LazyFrame, bars_bind: pl.Expr | None = None) -> pl.LazyFrame:
    """Add the parts planned in a stretch of planned busy time, and which limit binds.

    Parameters
    ----------
    rows : LazyFrame
        busy_s (planned busy time; null: time does not limit), standard_time_s (PRI), bars (waiting in the magazine, the
        one in the spindle left out), parts_per_bar, parts_left (on the bar in the spindle; null counts as none),
        order_left. Null bars or order_left: that does not limit. Null standard_time_s: there is no plan.
    bars_bind : Expr, optional
        On which rows bars limit at all (an attended shift is refilled); all, if not given.

    Returns
    -------
    LazyFrame
        The rows with by_time, by_bars and by_order (parts each of them allows; null where it does not limit),
        planned_parts (the least of them, not floored; null without a plan) and limit: time, bars or order.
    """
    binding = pl.lit(True) if bars_bind is None else bars_bind
    stock = in_stock(pl.col("bars"), pl.col("parts_per_bar"), pl.col("parts_left").fill_null(0))
    allowed = rows.with_columns(
        by_time=pl.col("busy_s") / pl.col("standard_time_s"),
        by_bars=pl.when(binding).then(stock.cast(pl.Float64)),
        by_order=pl.col("order_left").cast(pl.Float64),
    )
    known = pl.col("standard_time_s").is_not_null()
    planned = pl.when(known).then(pl.min_horizontal("by_time", "by_bars", "by_order"))
    limit = (
        pl.when(pl.col("planned_parts").is_null())
        .then(None)
        .when(pl.col("planned_parts") == pl.col("by_time"))
        .then(pl.lit("time"))
        .when(pl.col("planned_parts") == pl.col("by_bars"))
        .then(pl.lit("bars"))
        .otherwise(pl.lit("order"))
    )
    return allowed.with_columns(planned_parts=planned).with_columns(limit=limit)

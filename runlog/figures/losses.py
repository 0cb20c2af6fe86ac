"""The loss account of any roll-up, in seconds and in parts, and its losses ranked.

account = loss_rows(facts, site)                   every machine, shift, job, line and cause
pareto(account, ("machine",), rank="time")         by any grouping, worst first
"""

from datetime import timedelta
from typing import Final, Literal

import polars as pl

from runlog.figures.account import LINES, PRODUCED, loss_account
from runlog.figures.against_plan import AHEAD, BARS_NOT_LOADED, BEYOND, FEWER_PER_BAR, against_plan
from runlog.figures.groups import SHIFT, columns_of, with_groups
from runlog.figures.period import Period, in_period
from runlog.figures.window import Facts
from runlog.site import Site

Rank = Literal["time", "count", "parts"]
RANKS: Final[dict[Rank, str]] = {"time": "seconds", "count": "count", "parts": "lost_parts"}
"""What losses can be ranked by, and the column."""

WIDEST_WINDOW: Final = timedelta(days=8)
"""How long an unattended window may last."""

ALL_LINES: Final = (*LINES, BARS_NOT_LOADED, FEWER_PER_BAR, BEYOND, AHEAD)


def loss_rows(facts: Facts, site: Site, period: Period) -> pl.LazyFrame:
    """The account of every machine, shift and job, with what each loss cost against plan, ready to be grouped.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    period : Period

    Returns
    -------
    LazyFrame
        ACCOUNT, lost_parts (see `against_plan`), has_plan (its shift has such parts), and the columns of
        `with_groups`.
    """
    # An unattended window that reaches into the period has one magazine, whichever days it began on.
    figures, losses, plans = (
        in_period(facts[name], period, margin_days=WIDEST_WINDOW.days)
        for name in ("shift_figures", "shift_losses", "shift_plans")
    )
    told = against_plan(loss_account(figures, losses), figures, plans, facts["reloads"], facts["bars"])
    return with_groups(
        in_period(told, period).with_columns(has_plan=pl.col("lost_parts").is_not_null().any().over(SHIFT)), site
    )


def grouped(rows: pl.LazyFrame, by: tuple[str, ...]) -> pl.LazyFrame:
    """The account summed over a grouping, lines in the order of the account.

    Returns
    -------
    LazyFrame
        The grouping's columns, line, cause, seconds, share (of PBT), count, parts (null where some of it has no
        standard time), lost_parts (of the shifts that have a plan; null without one).
    """
    group = columns_of(by)
    order = {line: number for number, line in enumerate(ALL_LINES)}
    produced = pl.col("line").is_in(PRODUCED)
    return (
        rows.group_by(*group, "line", "cause", maintain_order=True)
        .agg(
            pl.col("seconds").sum(),
            pl.when(pl.col("count").is_not_null().any()).then(pl.col("count").sum()).alias("count"),
            pl.when(pl.col("parts").is_not_null().all()).then(pl.col("parts").sum()).alias("parts"),
            pl.when(pl.col("lost_parts").is_not_null().any()).then(pl.col("lost_parts").sum()).alias("lost_parts"),
        )
        .with_columns(share=pl.col("seconds") / _over_group(pl.col("seconds").sum(), group), loss=~produced)
        .sort(*group, pl.col("line").replace_strict(order, return_dtype=pl.Int64), "cause")
        .select(*group, "line", "cause", "loss", "seconds", "share", "count", "parts", "lost_parts")
    )


def loss_sums(rows: pl.LazyFrame, by: tuple[str, ...]) -> pl.LazyFrame:
    """What a group was to make, what it lost and what it made: good parts = planned parts + slack - losses in parts.

    Returns
    -------
    LazyFrame
        The grouping's columns; pbt_s; parts (made) and good_parts (null where quality was not measured of all);
        loss_parts (all losses in parts); lost_parts (against plan), slack_parts, planned_parts: of the shifts that have
        a plan and standard times throughout, null without any.
    """
    group = columns_of(by)
    line, parts = pl.col("line"), pl.col("parts")
    planned = pl.col("lost_parts").is_not_null()
    sums = [
        pl.col("seconds").sum().alias("pbt_s"),
        parts.filter(line.is_in(["good parts", "parts made", "scrap"])).sum().alias("parts"),
        pl.when((line == "good parts").any() & ~line.is_in(["parts made", "production"]).any())
        .then(parts.filter(line == "good parts").sum())
        .alias("good_parts"),
        parts.filter(~line.is_in(PRODUCED)).sum().alias("loss_parts"),
        pl.when(planned.any()).then(pl.col("lost_parts").sum()).alias("lost_parts"),
        pl.when(planned.any()).then(parts.filter(planned).sum() - pl.col("lost_parts").sum()).alias("slack_parts"),
        pl.when(pl.col("has_plan").any())
        .then(parts.filter(pl.col("has_plan") & line.is_in(PRODUCED)).sum() + pl.col("lost_parts").sum())
        .alias("planned_parts"),
    ]
    return rows.group_by(group).agg(sums).sort(group) if group else rows.select(sums)


def pareto(rows: pl.LazyFrame, by: tuple[str, ...], rank: Rank = "time") -> pl.LazyFrame:
    """Losses of each group, worst first, with the running share of all that was lost.

    Parameters
    ----------
    rows : LazyFrame
        From `loss_rows`.
    by : tuple of str
        GROUPS.
    rank : {"time", "count", "parts"}
        Seconds, number of stops, or parts lost against plan. Losses that have none are left out.

    Returns
    -------
    LazyFrame
        The grouping's columns, rank (from 1), line, cause, seconds, share, count, parts, lost_parts, running_share.
    """
    group, column = columns_of(by), RANKS[rank]
    value = pl.col(column)
    losses = grouped(rows, by).filter(pl.col("loss") & value.is_not_null() & (value != 0)).drop("loss")
    positive = value.clip(lower_bound=0)
    return (
        losses.sort(*group, value, "line", "cause", descending=[*[False] * len(group), True, False, False])
        .with_columns(
            rank=_over_group(pl.int_range(1, pl.len() + 1), group),
            running_share=_over_group(positive.cum_sum(), group) / _over_group(positive.sum(), group),
        )
        .select(*group, "rank", "line", "cause", "seconds", "share", "count", "parts", "lost_parts", "running_share")
    )


def _over_group(expr: pl.Expr, group: list[str]) -> pl.Expr:
    return expr.over(group) if group else expr

"""What each loss cost against the plan: good parts = planned parts + slack - losses in parts.

Slack = PBT / PRI - planned parts is the time the plan left free, because bars or the order bind before time does. An
hour lost in time the plan did not need costs no part. So slack is given, in each machine's shift, first to the losses
of the limit that binds (magazine empty; count reached), then to the other time losses in proportion; what a loss
keeps is what it cost. Where bars bind, what an empty magazine cost is told apart: bars not loaded (planned less
loaded, times parts per bar) and fewer parts per bar than planned come first, the rest stays with the empty magazine.

Lines of their own keep the sum exact: *ahead of plan* (slack that no loss took: more was made than planned), *planned
beyond the time* (more than the shift has standard time for: it ran a job that takes longer than the planned one, or the
order system asked for more).
"""

from typing import Final

import polars as pl

from runlog.figures.account import PRODUCED
from runlog.figures.groups import SHIFT
from runlog.figures.rollup import so_far_parts
from runlog.schema import BROUGHT_OUTCOMES

BINDING_CAUSES: Final = {"bars": ("magazine empty",), "order": ("count reached", "no work planned")}
"""Causes of the losses that a limit itself brings about."""

BARS_NOT_LOADED: Final = "bars not loaded"
FEWER_PER_BAR: Final = "fewer parts per bar"
AHEAD: Final = "ahead of plan"
BEYOND: Final = "planned beyond the time"


def against_plan(
    account: pl.LazyFrame, figures: pl.LazyFrame, plans: pl.LazyFrame, reloads: pl.LazyFrame, bars: pl.LazyFrame
) -> pl.LazyFrame:
    """Add what each loss cost against the plan, and the lines that only a plan knows.

    Parameters
    ----------
    account : LazyFrame
        From `loss_account`.
    figures, plans, reloads, bars : LazyFrame
        SHIFT_FIGURES, SHIFT_PLANS, RELOADS, BARS of the same machines and shifts.

    Returns
    -------
    LazyFrame
        The account with `lost_parts`: parts lost against plan; null in lines of production and in shifts without a
        plan or with time that has no standard. Of every other shift, planned less good parts (parts made, where
        quality was not measured) is their sum.
    """
    # Of each step several questions are asked: planned as one, they take half as long again as step by step.
    account = account.collect().lazy()
    planned = _planned(figures, plans)
    rows = account.join(planned, on=SHIFT, how="left").with_columns(
        binds=_binds(), produced=pl.col("line").is_in(PRODUCED)
    )
    known = pl.col("planned_parts").is_not_null() & pl.col("parts").is_not_null().all().over(SHIFT)
    slack = pl.col("parts").sum().over(SHIFT) - pl.col("planned_parts")
    rows = rows.with_columns(slack=pl.when(known).then(slack))
    given = _slack_given(rows).collect().lazy()
    costs = given.with_columns(
        lost_parts=pl.when(pl.col("slack").is_not_null() & ~pl.col("produced")).then(
            pl.col("parts") - pl.col("first") - pl.col("second")
        )
    )
    costs = costs.collect().lazy()
    apart = _bars_apart(costs, plans, reloads, bars)
    return pl.concat([apart, _extra_lines(given)], how="diagonal_relaxed").select(
        *account.collect_schema().names(), "lost_parts"
    )


def _planned(figures: pl.LazyFrame, plans: pl.LazyFrame) -> pl.LazyFrame:
    seen = figures.group_by(SHIFT).agg(pbt_seen_s=pl.col("pbt_s").sum())
    return plans.join(seen, on=SHIFT, how="left").select(
        *SHIFT, "limit", plan_job="job", planned_parts=so_far_parts(pl.col("pbt_seen_s").fill_null(0.0))
    )


def _binds() -> pl.Expr:
    at_all = pl.lit(False)
    for limit, causes in BINDING_CAUSES.items():
        at_all = at_all | ((pl.col("limit") == limit) & pl.col("cause").is_in(causes))
    return at_all.fill_null(False)


def _slack_given(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Slack that goes to each line [parts]: `first` to the limit that binds, `second` in proportion, `left` to none."""
    loss = pl.col("parts").clip(lower_bound=0.0)
    binding = pl.when(pl.col("binds")).then(loss).otherwise(0.0)
    timed = ~pl.col("binds") & ~pl.col("produced") & (pl.col("line") != "scrap")
    other = pl.when(timed).then(loss).otherwise(0.0)
    free = pl.col("slack").clip(lower_bound=0.0)
    share = rows.with_columns(_binding=binding.sum().over(SHIFT), _other=other.sum().over(SHIFT))
    to_binding = pl.min_horizontal(free, "_binding")
    to_other = pl.min_horizontal(free - to_binding, "_other")
    return share.with_columns(
        first=pl.when(pl.col("_binding") > 0).then(binding * to_binding / pl.col("_binding")).otherwise(0.0),
        second=pl.when(pl.col("_other") > 0).then(other * to_other / pl.col("_other")).otherwise(0.0),
        left=free - to_binding - to_other,
    ).drop("_binding", "_other")


def _extra_lines(rows: pl.LazyFrame) -> pl.LazyFrame:
    shifts = (
        rows.filter(pl.col("slack").is_not_null())
        .unique(SHIFT, keep="first", maintain_order=True)
        .with_columns(job="plan_job", cause=None, count=None, seconds=0.0, parts=0.0)
    )
    ahead = shifts.with_columns(line=pl.lit(AHEAD), lost_parts=-pl.col("left"))
    longer = shifts.with_columns(line=pl.lit(BEYOND), lost_parts=(-pl.col("slack")).clip(lower_bound=0.0))
    return pl.concat([ahead, longer]).filter(pl.col("lost_parts").abs() > 1e-9)


def _bars_apart(rows: pl.LazyFrame, plans: pl.LazyFrame, reloads: pl.LazyFrame, bars: pl.LazyFrame) -> pl.LazyFrame:
    """Split what an empty magazine cost, where bars bind, into its reasons; the sum stays."""
    empty = (pl.col("limit") == "bars") & (pl.col("cause") == "magazine empty") & (pl.col("lost_parts") > 0)
    empty = empty.fill_null(False)
    reasons = _missing(plans, reloads, bars, rows.filter(empty))
    cost = pl.col("lost_parts").sum().over(SHIFT)
    split = (
        rows.filter(empty)
        .join(reasons, on=SHIFT, how="left")
        .with_columns(share=pl.col("lost_parts") / cost)
        .with_columns(
            not_loaded=pl.col("share") * pl.col("not_loaded").fill_null(0.0),
            fewer=pl.col("share") * pl.col("fewer").fill_null(0.0),
        )
    )
    moved = [
        split.with_columns(line=pl.lit(line), seconds=0.0, parts=0.0, count=None, cause=None, lost_parts=pl.col(name))
        for line, name in ((BARS_NOT_LOADED, "not_loaded"), (FEWER_PER_BAR, "fewer"))
    ]
    rest = split.with_columns(lost_parts=pl.col("lost_parts") - pl.col("not_loaded") - pl.col("fewer"))
    return pl.concat(
        [rows.filter(~empty), rest, *(frame.filter(pl.col("lost_parts") > 0) for frame in moved)],
        how="diagonal_relaxed",
    )


def _missing(plans: pl.LazyFrame, reloads: pl.LazyFrame, bars: pl.LazyFrame, empty: pl.LazyFrame) -> pl.LazyFrame:
    """Parts that bars not loaded, and bars that gave fewer parts, account for in each shift, no more than it lost.

    Bars are those of an unattended window; its shifts take them in their order.
    """
    cost = empty.group_by(SHIFT).agg(cost=pl.col("lost_parts").sum())
    windows = _windows(plans)
    brought = reloads.filter(pl.col("outcome").is_in(BROUGHT_OUTCOMES) & ~pl.col("hand_load"))
    loaded = _within(brought, "end", windows).group_by("machine", "window").agg(loaded=pl.len())
    short = (pl.col("planned_parts") - pl.col("parts")).clip(lower_bound=0)
    ended = bars.filter(pl.col("remnant_basis").is_not_null())
    fewer = _within(ended, "finished_at", windows).group_by("machine", "window").agg(fewer_parts=short.sum())
    whole = ["machine", "window"]
    rows = (
        windows.join(loaded, on=whole, how="left")
        .join(fewer, on=whole, how="left")
        .join(cost, on=SHIFT, how="left")
        .sort("machine", "shift_start")
        .with_columns(pl.col("loaded", "fewer_parts", "cost").fill_null(0))
    )
    missing = (pl.col("bars").first().over(whole) - pl.col("loaded")).clip(lower_bound=0) * pl.col("parts_per_bar")
    told = rows.with_columns(not_loaded=_shared_out(missing.cast(pl.Float64), pl.col("cost"), whole))
    rest = pl.col("cost") - pl.col("not_loaded")
    return told.with_columns(fewer=_shared_out(pl.col("fewer_parts").cast(pl.Float64), rest, whole)).select(
        *SHIFT, "not_loaded", "fewer"
    )


def _shared_out(amount: pl.Expr, room: pl.Expr, window: list[str]) -> pl.Expr:
    """An amount of a window put into the room of its shifts, the first one first."""
    upto = room.cum_sum().over(window)
    return pl.min_horizontal(upto, amount) - pl.min_horizontal(upto - room, amount)


def _windows(plans: pl.LazyFrame) -> pl.LazyFrame:
    """SHIFT_PLANS with the window of each shift: adjoining unattended shifts are one."""
    goes_on = (
        ~pl.col("attended")
        & ~pl.col("attended").shift(1).over("machine").fill_null(True)
        & (pl.col("shift_start") == pl.col("shift_end").shift(1).over("machine")).fill_null(False)
    )
    return plans.sort("machine", "shift_start").with_columns(window=(~goes_on).cum_sum().over("machine"))


def _within(rows: pl.LazyFrame, at: str, windows: pl.LazyFrame) -> pl.LazyFrame:
    """Rows with the window their instant lies in."""
    return (
        rows.filter(pl.col(at).is_not_null())
        .sort("machine", at)
        .join_asof(
            windows.select("machine", "window", "shift_start", "shift_end").sort("machine", "shift_start"),
            left_on=at,
            right_on="shift_start",
            by="machine",
            check_sortedness=False,
            coalesce=False,
        )
        .filter(pl.col(at) <= pl.col("shift_end"))
    )

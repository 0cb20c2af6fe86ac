"""Unattended runs: how far each machine got in a window planned with nobody present.

Visits split a window into stretches; each holds at most one run. It starts with the stretch if the machine
is producing or reloading then, else with its first production, and ends where the state that is still on
at the stretch's end began: the night-ending stop, setting, lost signal; else with the stretch itself.
"""

from dataclasses import dataclass

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import BY, edges, first_after, held, inside, last_before, merged, seconds, tiles
from runlog.derive.frames import covering as held_by
from runlog.derive.observations import Log
from runlog.derive.parts import ordered
from runlog.plan import with_planned_parts
from runlog.schema import INSTANT, NO_JOB, STOP_ENDINGS, UNATTENDED_RUNS

WORKING = ("producing", "reloading")


@dataclass(frozen=True)
class Stock:
    """What tells how much stock a machine has: fillings noted, reloads, bars that came in.

    Attributes
    ----------
    filled : LazyFrame
        From `fillings`.
    reloaded : LazyFrame
        From `reloads`.
    brought : LazyFrame
        From `bars.brought`.
    """

    filled: pl.LazyFrame
    reloaded: pl.LazyFrame
    brought: pl.LazyFrame


def unattended_runs(
    log: Log, cut: pl.LazyFrame, stopped: pl.LazyFrame, parts: pl.LazyFrame, stock: Stock, ctx: Context
) -> pl.LazyFrame:
    """Runs of every machine in every unattended window (UNATTENDED_RUNS).

    Parameters
    ----------
    log : Log
    cut : LazyFrame
        From `spans.pieces`.
    stopped, parts : LazyFrame
        From `stops`, `placed`.
    stock : Stock
    ctx : Context
    """
    stretches = held(_stretches(log.visited, log.lives, ctx))
    bounded = held(_ended(held(_started(stretches, cut)), cut, stopped, log.lives))
    counted = held(_counts(bounded, parts, stock.reloaded))
    return _planned(counted, cut, stock, parts, ctx)


def _stretches(visited: pl.LazyFrame, lives: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Windows less visits: machine, window_start, planned_end, start, end, to_visit (a visit ends it)."""
    windows = lives.join(ctx.unattended, how="cross").filter(
        (pl.col("window_end") > pl.col("first")) & (pl.col("window_start") < pl.col("horizon"))
    )
    whole = windows.select(
        BY,
        start=pl.max_horizontal("window_start", "first"),
        end=pl.min_horizontal("window_end", "horizon"),
        window_start="window_start",
        planned_end="window_end",
    )
    life = lives.select(BY, "first", "horizon")
    pieces = tiles(edges(whole), edges(visited), life=life)
    free = inside(held_by(pieces, whole, "window_start", "planned_end"), visited, "visited").filter(
        pl.col("window_start").is_not_null() & ~pl.col("visited")
    )
    return (
        free.join(visited.select(BY, end="start", to_visit=pl.lit(True)), on=[BY, "end"], how="left")
        .with_columns(pl.col("to_visit").fill_null(False))
        .sort(BY, "start")
    )


def _started(stretches: pl.LazyFrame, cut: pl.LazyFrame) -> pl.LazyFrame:
    """Where the run of a stretch starts: with it, or with the first production or reload in it."""
    working = cut.filter(pl.col("kind").is_in(WORKING)).select(BY, work_start="start", work_end="end")
    now = last_before(stretches, working, at="start", right="work_start")
    running = (pl.col("work_end") > pl.col("start")).fill_null(False)
    then = first_after(
        now.with_columns(running=running).drop("work_start", "work_end"),
        working,
        at="start",
        right="work_start",
    )
    return (
        then.with_columns(run_start=pl.when("running").then("start").otherwise("work_start"))
        .filter(pl.col("run_start") < pl.col("end"))
        .drop("running", "work_start", "work_end")
    )


def _ended(started: pl.LazyFrame, cut: pl.LazyFrame, stopped: pl.LazyFrame, lives: pl.LazyFrame) -> pl.LazyFrame:
    """Where and why it ends: by what is still on just before the stretch's end."""
    states = merged(
        cut.with_columns(state=pl.when(pl.col("kind").is_in(WORKING)).then(pl.lit("working")).otherwise("kind")),
        "state",
        "stop_no",
    )
    joined = _over_short_losses(states, stopped)
    causes = stopped.select(BY, state_start="start", stop_cause="cause")
    last = last_before(started, joined, at="end", right="state_start", strict=True).join(
        causes, on=[BY, "state_start"], how="left"
    )
    idle = pl.col("state") != "working"
    still_open = (pl.col("end") >= pl.col("horizon")) & (pl.col("horizon") < pl.col("planned_end"))
    ended_by = (
        pl.when(idle & (pl.col("state") == "stopped"))
        .then(pl.col("stop_cause").replace_strict(STOP_ENDINGS, default="stop", return_dtype=pl.String()))
        .when(idle & (pl.col("state") == "no signal"))
        .then(pl.lit("no signal"))
        .when("to_visit")
        .then(pl.lit("visit"))
        .when(still_open)
        .then(None)
        .otherwise(pl.lit("window"))
    )
    return (
        last.join(lives.select(BY, "horizon"), on=BY, how="left")
        .with_columns(ended_by=ended_by)
        .with_columns(
            start=pl.col("run_start"),
            end=pl.when(idle).then(pl.max_horizontal("state_start", "run_start")).otherwise("end"),
            cause=pl.when(pl.col("ended_by").is_in(["stop", *STOP_ENDINGS.values()])).then("stop_cause"),
        )
        .select(BY, "window_start", "start", "planned_end", "end", "ended_by", "cause")
    )


def _over_short_losses(states: pl.LazyFrame, stopped: pl.LazyFrame) -> pl.LazyFrame:
    """States by their start, each stop as one stretch, so that a short loss inside it does not hide it."""
    stops = stopped.select(BY, "start", "end")
    plain = inside(states, stops, "in_stop").filter(~pl.col("in_stop")).select(BY, "state", state_start="start")
    whole = stops.select(BY, state=pl.lit("stopped"), state_start="start")
    return pl.concat([plain, whole])


def _counts(bounded: pl.LazyFrame, parts: pl.LazyFrame, reloaded: pl.LazyFrame) -> pl.LazyFrame:
    made = _count_until(parts.filter(~pl.col("setting")), "at")
    ended = _count_until(reloaded.filter(pl.col("outcome").is_not_null()), "end")
    loaded = _count_until(reloaded.filter("loaded"), "end")
    rows = bounded
    for name, ticks in (("parts", made), ("reloads", ended), ("loaded", loaded)):
        for end, column in (("start", "_from"), ("end", "_to")):
            rows = last_before(rows, ticks.rename({"n": column}), at=end, right="tick").drop("tick")
        number = pl.col("_to").fill_null(0) - pl.col("_from").fill_null(0)
        rows = rows.with_columns(number.alias(name)).drop("_from", "_to")
    return rows


def _count_until(rows: pl.LazyFrame, at: str) -> pl.LazyFrame:
    """A running count: machine, tick, n."""
    return (
        rows.sort(BY, at)
        .select(BY, tick=pl.col(at).cast(INSTANT), n=pl.int_range(1, pl.len() + 1).over(BY))
        .unique([BY, "tick"], keep="last", maintain_order=True)
    )


def _planned(rows: pl.LazyFrame, cut: pl.LazyFrame, stock: Stock, parts: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Planned parts from the run's start to the window's end, and the limit that binds."""
    at_start = last_before(rows, cut.select(BY, "job", job_from="start"), at="start", right="job_from")
    planned = at_start.with_columns(pl.col("job").fill_null(NO_JOB)).join(
        ctx.plans.select(BY, "job", "standard_time_s", "parts_per_bar", "order_quantity"),
        on=[BY, "job"],
        how="left",
    )
    supplied = supply(planned, stock, parts, ctx, at="start")
    busy_s = seconds(pl.col("planned_end") - pl.col("start"))
    limited = with_planned_parts(supplied.with_columns(busy_s=busy_s))
    return UNATTENDED_RUNS.conform(limited.sort(BY, "start").with_columns(bars="loaded"), keep=(BY,))


def fillings(observed: pl.LazyFrame) -> pl.LazyFrame:
    """Setup notes of bars put into the magazine: machine, filled_at, filled."""
    noted = observed.filter((pl.col("item") == "BARS_LOADED") & pl.col("number").is_not_null())
    return noted.select(BY, filled_at="at", filled=pl.col("number").cast(pl.Int64))


def supply(rows: pl.LazyFrame, stock: Stock, parts: pl.LazyFrame, ctx: Context, *, at: str) -> pl.LazyFrame:
    """Add what a machine has to work with at an instant.

    Parameters
    ----------
    rows : LazyFrame
        machine, job, parts_per_bar, order_quantity and the instant.
    stock : Stock
    parts : LazyFrame
        From `placed`.
    ctx : Context
    at : str
        Name of the instant's column.

    Returns
    -------
    LazyFrame
        The rows with bars (in the magazine: as last noted less the bars since, else as many as it holds),
        bars_basis (noted, magazine; null without a feeder), parts_left (on the bar in the spindle; null
        before the first reload) and order_left (null without an order).
    """
    loaded = ctx.earlier.wanted(stock.reloaded.filter("loaded"), "start").select(BY, "start", "end")
    loads = _count_until(pl.concat([ctx.earlier.loads, loaded]), "end")
    made = _count_until(parts, "at")
    rows = last_before(rows, stock.filled, at=at, right="filled_at")
    rows = last_before(rows, stock.brought, at=at, right="bar_at")
    for ticks, instant, name in (
        (loads, at, "loads_now"),
        (loads, "filled_at", "loads_then"),
        (made, at, "made_now"),
        (made, "bar_at", "made_then"),
    ):
        rows = last_before(rows, ticks.rename({"n": name}), at=instant, right="tick").drop("tick")
    order = ordered(parts, ctx).rename({"at": "tick", "made": "done"})
    rows = (
        rows.sort(at)
        .join_asof(order, left_on=at, right_on="tick", by="job", strategy="backward", check_sortedness=False)
        .join(ctx.limits.select(BY, "bars_held"), on=BY, how="left")
    )
    since_filling = pl.col("loads_now").fill_null(0) - pl.col("loads_then").fill_null(0)
    since_bar = pl.col("made_now").fill_null(0) - pl.col("made_then").fill_null(0)
    order_left = (pl.col("order_quantity") - pl.col("done").fill_null(0)).clip(lower_bound=0)
    return rows.with_columns(
        bars=pl.coalesce((pl.col("filled") - since_filling).clip(lower_bound=0), "bars_held"),
        bars_basis=pl.when(pl.col("filled").is_not_null())
        .then(pl.lit("noted"))
        .when(pl.col("bars_held").is_not_null())
        .then(pl.lit("magazine")),
        parts_left=pl.when(pl.col("bar_done") <= pl.col(at))
        .then(0)
        .when(pl.col("bar_at").is_not_null())
        .then((pl.col("parts_per_bar") - since_bar).clip(lower_bound=0)),
        order_left=order_left,
    ).drop(
        "filled_at",
        "filled",
        "bar_at",
        "bar_done",
        "bar_done",
        "loads_now",
        "loads_then",
        "made_now",
        "made_then",
        "done",
        "tick",
        "bars_held",
        strict=False,
    )

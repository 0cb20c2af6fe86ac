"""Cycles that hang: ACTIVE with no part for far longer than a cycle, and nobody there.

Programs that wait for a feeder stay ACTIVE, so without this rule the worst nights look like production.

    cycles(...)            ACTIVE time from part to part
    standard_cycles(...)   their measured median over the last 50
    hung_cycles(...)       what lies more than one standard cycle past the last sign of progress
"""

from typing import Final

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import (
    BY,
    RunningClock,
    before,
    covering,
    duration,
    edges,
    held,
    inside,
    last_before,
    of_us,
    ordered,
    stretches,
    tiles,
)
from runlog.derive.observations import RUNNING
from runlog.derive.parts import no_signal

PARTS_BACK: Final = 50
PARTS_LEAST: Final = 5


def cycles(parts: pl.LazyFrame, running: pl.LazyFrame, reloaded: pl.LazyFrame) -> pl.LazyFrame:
    """Measured cycles: machine, program, at, active_s.

    ACTIVE time between a part and the one before of the same program, reload time out; none of parts counted in a
    batch.

    Parameters
    ----------
    parts : LazyFrame
        machine, at, part, program, counted_in_batch.
    running : LazyFrame
        machine, start, end: EXECUTION ACTIVE or WAIT.
    reloaded : LazyFrame
        machine, start, end of reloads.
    """
    active = RunningClock(running)
    reloading = RunningClock(reloaded.filter(pl.col("end") > pl.col("start")))
    busy = active.read(reloading.read(parts, "at", "reload_clock"), "at", "active_clock")
    gross = pl.col("active_clock") - pl.col("active_clock").shift(1).over(BY)
    out = pl.col("reload_clock") - pl.col("reload_clock").shift(1).over(BY)
    same = pl.col("program").eq_missing(pl.col("program").shift(1).over(BY))
    return (
        busy.sort(BY, "part")
        .with_columns(active_s=of_us(gross - out.clip(lower_bound=0)), same=same)
        .filter(pl.col("same") & ~pl.col("counted_in_batch") & (pl.col("active_s") > 0))
        .select(BY, "program", "at", "active_s")
    )


def standard_cycles(measured: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Standard cycle of a machine and program from each shift's start on.

    Parameters
    ----------
    measured : LazyFrame
        From `cycles`.
    ctx : Context

    Returns
    -------
    LazyFrame
        machine, program, from, measured_s: the median of the last 50 cycles before the shift began. [s]
    """
    own = (BY, "program")
    median = pl.col("active_s").rolling_median(PARTS_BACK, min_samples=PARTS_LEAST).over(own)
    known = (
        pl.concat([ctx.earlier.cycles, ctx.earlier.wanted(measured)])
        .sort(BY, "at", maintain_order=True)
        .select(*own, "at", measured_s=median)
        .drop_nulls("measured_s")
    )
    shifts = ctx.shifts.select(at="shift_start").unique().sort("at")
    return (
        known.select(*own)
        .unique()
        .join(shifts, how="cross")
        .sort("at")
        .join_asof(
            known.sort("at"),
            on="at",
            by=list(own),
            strategy="backward",
            allow_exact_matches=False,
            check_sortedness=False,
        )
        .drop_nulls("measured_s")
        .select(*own, pl.col("at").alias("from"), "measured_s")
    )


def with_standard(rows: pl.LazyFrame, standard: pl.LazyFrame, ctx: Context, at: str) -> pl.LazyFrame:
    """Add `standard_s`: the larger of the job's cycle and the measured one; null where neither is known.

    The rows carry machine, program and job.
    """
    measured = rows.sort(at).join_asof(
        standard.sort("from"),
        left_on=at,
        right_on="from",
        by=[BY, "program"],
        strategy="backward",
        check_sortedness=False,
        coalesce=False,
    )
    return (
        measured.drop("from")
        .join(
            ctx.plans.select(BY, "job", job_cycle_s=pl.col("cycle_s") * pl.col("parts_per_cycle")),
            on=[BY, "job"],
            how="left",
        )
        .with_columns(standard_s=pl.max_horizontal("job_cycle_s", "measured_s"))
        .drop("job_cycle_s", "measured_s")
    )


def hung_cycles(
    whole: pl.LazyFrame,
    reloaded: pl.LazyFrame,
    counted: pl.LazyFrame,
    seen: pl.LazyFrame,
    standard: pl.LazyFrame,
    ctx: Context,
) -> pl.LazyFrame:
    """Stretches in which a cycle hangs: machine, start, end.

    Time counts from the latest of a part, the start of the ACTIVE stretch, the end of a reload and attended
    evidence; time in reloading and without signal is left out of the count.
    """
    # A wait is no longer than its stretch, and most stretches are too short to be looked at further.
    active = held(_active_stretches(whole).pipe(_long_enough, "start", "end", ctx))
    signs = pl.concat(
        [
            active.select(BY, at="start"),
            counted.select(BY, "at"),
            reloaded.select(BY, at="end"),
            seen.select(BY, "at"),
        ]
    ).unique()
    bounds = (pl.col("start").alias("stretch_start"), pl.col("end").alias("stretch_end"))
    waits = held(
        covering(signs, active, *bounds, at="at")
        .filter(pl.col("stretch_end").is_not_null())
        .pipe(ordered, BY, "at")
        .with_columns(until=pl.min_horizontal("stretch_end", pl.col("at").shift(-1).over(BY)))
        .with_columns(until=pl.coalesce("until", "stretch_end"))
        .pipe(_long_enough, "at", "until", ctx)
    )
    long = waits.select(BY, start="stretch_start").unique()
    clock = _counting_clock(active.join(long, on=[BY, "start"], how="semi"), whole, reloaded)
    read = clock.read(clock.read(waits, "at", "clock_from"), "until", "clock_to")
    selected = last_before(read, whole.select(BY, "start", "program", "job"), at="at", right="start").drop("start")
    us = 1e6
    limit = pl.max_horizontal(pl.col("standard_s") * pl.col("hung_cycles"), "hung_least_s") * us
    late = (
        with_standard(selected, standard, ctx, "at")
        .filter((pl.col("clock_to") - pl.col("clock_from")) >= limit)
        .filter(pl.col("standard_s").is_not_null())
        .with_columns(reading=pl.col("clock_from") + (pl.col("standard_s") * us).round().cast(pl.Int64))
    )
    return (
        clock.instant(late, "reading", "start").select(BY, "start", end="until").filter(pl.col("start") < pl.col("end"))
    )


def _long_enough(rows: pl.LazyFrame, start: str, end: str, ctx: Context) -> pl.LazyFrame:
    """Add a machine's limits of hung cycles, and keep the rows that could reach them."""
    return rows.join(
        ctx.limits.select(BY, "hung_least_s", "hung_cycles"), on=BY, how="left", maintain_order="left"
    ).filter((pl.col(end) - pl.col(start)) >= duration(pl.col("hung_least_s")))


def _active_stretches(whole: pl.LazyFrame) -> pl.LazyFrame:
    """ACTIVE stretches, lost signal within them passed over: machine, start, end."""
    lost = no_signal()
    state = pl.when(~lost).then(pl.col("execution").is_in(RUNNING)).forward_fill().over(BY)
    rows = whole.select(BY, "start", "end", _running=state.fill_null(False))
    begins = pl.col("_running").ne_missing(before("_running")) | before("start").is_null()
    return stretches(rows, begins).filter("_running").select(BY, "start", "end")


def _counting_clock(active: pl.LazyFrame, whole: pl.LazyFrame, reloaded: pl.LazyFrame) -> RunningClock:
    """The clock that runs while ACTIVE, outside reloads and lost signal."""
    reloading = reloaded.filter(pl.col("end") > pl.col("start")).select(BY, "start", "end")
    lost = whole.filter(no_signal()).select(BY, "start", "end")
    bounds = whole.group_by(BY).agg(first=pl.col("start").min(), horizon=pl.col("end").max())
    cut = tiles(edges(active), edges(reloading), edges(lost), life=bounds)
    marked = inside(inside(inside(cut, active, "running"), reloading, "reloading"), lost, "lost")
    return RunningClock(marked.filter(pl.col("running") & ~pl.col("reloading") & ~pl.col("lost")))

"""A machine's time cut into spans without gap or overlap.

    pieces    cut at every instant at which something changes
    kind      the first rule of docs/rules.md, section Spans, that fits each piece
    stop_no   which stop a stopped piece belongs to
    spans     adjoining pieces that agree, joined

`pieces` is also what stops, runs and shift figures are made of, so nobody cuts time a second time.
"""

import polars as pl

from runlog.derive import hung
from runlog.derive.context import Context
from runlog.derive.frames import (
    BY,
    after,
    before,
    covering,
    edges,
    first_after,
    held,
    held_all,
    inside,
    last_before,
    merged,
    ordered,
    stretches,
    tiles,
)
from runlog.derive.observations import MANUAL_MODES, RUNNING, Log, intervals_of
from runlog.derive.parts import no_signal
from runlog.schema import SPANS

SAME = ("kind", "program", "job", "attended", "stop_no")


def pieces(
    log: Log,
    reloaded: pl.LazyFrame,
    counted: pl.LazyFrame,
    setting: pl.LazyFrame,
    present: pl.LazyFrame,
    standard: pl.LazyFrame,
    ctx: Context,
) -> pl.LazyFrame:
    """Every machine's time in pieces, each of one kind.

    Parameters
    ----------
    log : Log
    reloaded, counted : LazyFrame
        From `reloads`, `counts`.
    setting, present : LazyFrame
        machine, start, end: setting of changeovers (with job); somebody there.
    standard : LazyFrame
        machine, program, from, standard_s: the standard cycle from an instant on.
    ctx : Context

    Returns
    -------
    LazyFrame
        machine, start, end, kind, hung, after_failed, execution, estop, program, job, attended, stop_no
        (null unless stopped; a stop's pieces share it).
    """
    whole = held(intervals_of(log.state, log.lives))
    reloading = reloaded.filter(pl.col("end") > pl.col("start")).select(BY, "start", "end")
    failed, between = held_all(_after_failed(reloaded, counted, log), _between_cycles(whole, ctx))
    stuck = held(hung.hung_cycles(whole, reloaded, counted, log.seen, standard, ctx))
    cut = tiles(
        whole.select(BY, at="start"),
        *(edges(frame) for frame in (reloading, failed, between, stuck, setting, present)),
        life=log.lives,
    )
    known = covering(cut, whole, "execution", "mode", "available", "estop", "program", "job")
    known = inside(inside(inside(known, reloading, "reloading"), failed, "after_failed"), between, "between")
    known = inside(inside(known, stuck, "hung"), present, "attended")
    known = held(covering(known, setting.select(BY, "start", "end", set_job="job"), "set_job"))
    return (
        ordered(known, BY, "start")
        .with_columns(kind=_kind(), job=pl.coalesce("set_job", "job"))
        .with_columns(pl.col("program", "job").backward_fill().over(BY))
        .pipe(_lost_length)
        .join(ctx.limits.select(BY, "minor_stop"), on=BY, how="left", maintain_order="left")
        .pipe(_settle_manual)
        .pipe(_number_stops)
        .drop("set_job", "mode", "available", "reloading", "between", "lost_length", "minor_stop")
    )


def _kind() -> pl.Expr:
    """Rules 1 to 7; `manual` where rule 4 must first look at what came before."""
    return (
        pl.when(no_signal())
        .then(pl.lit("no signal"))
        .when(pl.col("estop") == "TRIGGERED")
        .then(pl.lit("stopped"))
        .when("reloading")
        .then(pl.lit("reloading"))
        .when(pl.col("after_failed") | pl.col("hung"))
        .then(pl.lit("stopped"))
        .when(pl.col("set_job").is_not_null())
        .then(pl.lit("setting"))
        .when(pl.col("mode").is_in(MANUAL_MODES))
        .then(pl.lit("manual"))
        .when(pl.col("execution").is_in(RUNNING) | pl.col("between"))
        .then(pl.lit("producing"))
        .otherwise(pl.lit("stopped"))
    )


def _lost_length(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Add the whole length of the lost signal a piece is part of; null on other pieces."""
    lost = pl.col("kind") == "no signal"
    losses = stretches(rows.filter(lost).select(BY, "start", "end"), pl.col("start").ne_missing(before("end")))
    lengths = losses.select(BY, "start", "end", lost_length=pl.col("end") - pl.col("start"))
    return covering(rows, lengths, "lost_length")


def _short_loss() -> pl.Expr:
    return (pl.col("lost_length") < pl.col("minor_stop")).fill_null(False)


def _settle_manual(rows: pl.LazyFrame) -> pl.LazyFrame:
    """MANUAL with a stop open is that stop being mended; else it is setting."""
    passed_over = (pl.col("kind") == "manual") | _short_loss()
    last = pl.when(~passed_over).then("kind").forward_fill().over(BY)
    settled = pl.when(last == "stopped").then(pl.lit("stopped")).otherwise(pl.lit("setting"))
    return rows.with_columns(kind=pl.when(pl.col("kind") == "manual").then(settled).otherwise("kind"))


def _number_stops(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Number the stops: one begins after anything but a stop or a short loss, or with an emergency stop pressed."""
    stopped = pl.col("kind") == "stopped"
    counts = ~_short_loss()
    last = pl.when(counts).then("kind").shift(1).forward_fill().over(BY)
    pressed = (pl.col("estop") == "TRIGGERED") & (before("estop") != "TRIGGERED").fill_null(True)
    begins = stopped & ((last != "stopped").fill_null(True) | pressed.fill_null(False))
    return rows.with_columns(stop_no=pl.when(stopped).then(begins.cum_sum()))


def _after_failed(reloaded: pl.LazyFrame, counted: pl.LazyFrame, log: Log) -> pl.LazyFrame:
    """Rule 3b: from a failed reload's end until EXECUTION leaves ACTIVE, a cycle starts or a part is counted."""
    failed = reloaded.filter(pl.col("outcome").is_in(["failed", "empty", "unclear"])).select(BY, start="end")
    execution = log.state.select(BY, "at", "execution").filter(pl.col("execution").ne_missing(before("execution")))
    left = execution.filter((pl.col("execution") != "ACTIVE").fill_null(True)).select(BY, until="at")
    until = pl.concat([left, log.starts.select(BY, until="at"), counted.select(BY, until="at")])
    found = first_after(failed, until, at="start", right="until", strict=True)
    running = last_before(found, execution.select(BY, "at", "execution"), at="start")
    return (
        running.filter(pl.col("execution").is_in(RUNNING))
        .join(log.lives.select(BY, "horizon"), on=BY, how="left")
        .select(BY, "start", end=pl.coalesce("until", "horizon"))
        .filter(pl.col("end") > pl.col("start"))
    )


def _between_cycles(whole: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Rule 6: pauses between two cycles of one program, no longer than `cycle_gap`."""
    running = pl.col("execution").is_in(RUNNING).fill_null(False)
    begins = running.ne_missing(before(running)) | before("start").is_null()
    runs = stretches(whole.with_columns(_running=running, _program_before=before("program")), begins)
    return (
        runs.join(ctx.limits.select(BY, "cycle_gap"), on=BY, how="left", maintain_order="left")
        .filter(
            ~pl.col("_running")
            & before("start").is_not_null()
            & after("start").is_not_null()
            & pl.col("_program_before").eq_missing(after("program"))
            & ((pl.col("end") - pl.col("start")) <= pl.col("cycle_gap"))
        )
        .select(BY, "start", "end")
    )


def spans(cut: pl.LazyFrame, stop_causes: pl.LazyFrame) -> pl.LazyFrame:
    """Adjoining pieces that agree, joined, with the cause of their stop (SPANS)."""
    return SPANS.conform(
        merged(cut, *SAME).join(stop_causes.select("stop_no", "cause"), on="stop_no", how="left", maintain_order="left")
    )

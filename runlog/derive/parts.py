"""Counted parts: which counter speaks, what a skip means, which parts were good.

    counts(log, ctx)                            one row a count: the instant a counter moved, by how much
    placed(counts, running, lost)               one row a part, skips spread over the time that made them
    finish(parts, ...)                          job, quality, setting and cycle time

A machine's shift uses the most trusted evidence that moved in it or in the shift before, so a counter that
breaks is left within two shifts and old figures stay as they were.
"""

from typing import Final

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import BY, RunningClock, held, held_all, inside, last_before, of_us, seconds
from runlog.derive.observations import RUNNING, UNAVAILABLE, Log, intervals_of, own_path
from runlog.schema import NO_JOB, PARTS

TRUST: Final = {
    "counter ALL": 1,
    "counter COMPLETE": 2,
    "GOOD and BAD": 3,
    "REMAINING": 4,
    "program completed": 5,
    "active stretch": 6,
}
"""Part evidence, most trusted first."""

COUNTERS: Final = {"ALL": "counter ALL", "": "counter ALL", "COMPLETE": "counter COMPLETE"}


def counts(log: Log, ctx: Context) -> pl.LazyFrame:
    """Instants at which parts were counted, by the evidence each machine's shift uses.

    Returns
    -------
    LazyFrame
        machine, at, seq, k (parts counted there), evidence, number (1, 2, ... per machine: the gap that
        begins there), previous_at (the count before; null for the first), job, program.
    """
    ways = [
        _up_counters(log.observed),
        _good_and_bad(log.observed),
        _remaining(log.observed),
        _completed_programs(log, ctx),
        _active_stretches(log, ctx),
    ]
    moved = held(pl.concat(held_all(*ways)))
    program = log.state.select(BY, "at", "program", "job")
    return (
        held(_most_trusted(moved, ctx))
        .sort(BY, "at", "seq")
        .with_columns(
            number=pl.int_range(1, pl.len() + 1).over(BY),
            previous_at=pl.col("at").shift(1).over(BY),
        )
        .pipe(_before_instant, program)
    )


def _before_instant(rows: pl.LazyFrame, program: pl.LazyFrame) -> pl.LazyFrame:
    """The program selected when the count came; one selected at the same instant is the next one's."""
    known = last_before(rows, program, strict=True).drop("at_right")
    late = last_before(rows, program).select("seq", late_program="program", late_job="job")
    return (
        known.join(late, on="seq", how="left", maintain_order="left")
        .with_columns(pl.coalesce("program", "late_program"), pl.coalesce("job", "late_job"))
        .drop("late_program", "late_job")
        .sort(BY, "at", "seq")
    )


def _up_counters(observed: pl.LazyFrame) -> pl.LazyFrame:
    rows = observed.filter(
        (pl.col("item") == "PART_COUNT") & pl.col("sub_type").is_in(list(COUNTERS)) & (pl.col("component") != "feeder")
    )
    last_path = pl.col("component") == pl.col("component").max().over(BY)
    k = pl.when("discrete").then("number").otherwise("step")
    return _moves(rows.filter(last_path), k, pl.col("sub_type").replace_strict(COUNTERS, return_dtype=pl.String()))


def _good_and_bad(observed: pl.LazyFrame) -> pl.LazyFrame:
    rows = observed.filter((pl.col("item") == "PART_COUNT") & pl.col("sub_type").is_in(["GOOD", "BAD"]))
    k = pl.when("discrete").then("number").otherwise("step")
    return _moves(rows, k, pl.lit("GOOD and BAD"))


def _remaining(observed: pl.LazyFrame) -> pl.LazyFrame:
    rows = observed.filter((pl.col("item") == "PART_COUNT") & (pl.col("sub_type") == "REMAINING"))
    order = pl.col("component") != "feeder"
    counting_order = order.any().over(BY)
    return _moves(rows.filter(order == counting_order), -pl.col("step"), pl.lit("REMAINING"))


def _moves(rows: pl.LazyFrame, k: pl.Expr, evidence: pl.Expr) -> pl.LazyFrame:
    return (
        rows.filter(~pl.col("head"))
        .select(BY, "at", "seq", k=k.round().cast(pl.Int64), evidence=evidence)
        .filter(pl.col("k") > 0)
    )


def _completed_programs(log: Log, ctx: Context) -> pl.LazyFrame:
    rows = own_path(log.observed, ctx, "EXECUTION").filter((pl.col("text") == "PROGRAM_COMPLETED") & pl.col("changed"))
    per_cycle = ctx.plans.select(BY, "job", "parts_per_cycle")
    return (
        last_before(rows.select(BY, "at", "seq"), log.state.select(BY, "at", "job"))
        .join(per_cycle, on=[BY, "job"], how="left")
        .select(BY, "at", "seq", k=pl.col("parts_per_cycle").fill_null(1), evidence=pl.lit("program completed"))
    )


def _active_stretches(log: Log, ctx: Context) -> pl.LazyFrame:
    """ACTIVE stretches of a job's program that end in READY or STOPPED after half a cycle or more."""
    running = pl.col("execution").is_in(RUNNING)
    stretch = running.ne_missing(running.shift(1)).fill_null(True).cum_sum().over(BY)
    after = pl.col("execution").shift(-1).over(BY)
    after_seq = pl.col("seq").shift(-1).over(BY)
    return (
        intervals_of(log.state, log.lives)
        .with_columns(stretch=stretch, after=after, after_seq=after_seq, running=running)
        .group_by(BY, "stretch", "running", maintain_order=True)
        .agg(
            pl.col("start").first(),
            pl.col("end").last(),
            pl.col("job").last(),
            pl.col("after").last(),
            pl.col("after_seq").last(),
        )
        .filter(pl.col("running") & pl.col("after").is_in(["READY", "STOPPED"]))
        .join(ctx.plans.select(BY, "job", "cycle_s", "parts_per_cycle"), on=[BY, "job"], how="left")
        .filter(seconds(pl.col("end") - pl.col("start")) >= pl.col("cycle_s") * pl.col("parts_per_cycle") / 2)
        .select(
            BY,
            at="end",
            seq="after_seq",
            k=pl.col("parts_per_cycle"),
            evidence=pl.lit("active stretch"),
        )
    )


def _most_trusted(moved: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    fixed = ctx.limits.select(BY, "part_counter").with_columns(pl.col("part_counter").fill_null(""))
    shifts = ctx.shifts.select("shift_start").unique().sort("shift_start").with_row_index("shift_no")
    ranked = (
        moved.join(fixed, on=BY, how="left")
        .filter((pl.col("part_counter") == "") | (pl.col("part_counter") == pl.col("evidence")))
        .with_columns(trust=pl.col("evidence").replace_strict(TRUST, return_dtype=pl.Int64()))
        .sort("at")
        .join_asof(shifts.rename({"shift_start": "at"}), on="at", strategy="backward")
        .with_columns(pl.col("shift_no").cast(pl.Int64).fill_null(-1))
    )
    spoke = ranked.select(BY, "shift_no", "trust").unique()
    best = (
        pl.concat([spoke, spoke.with_columns(pl.col("shift_no") + 1)])
        .group_by(BY, "shift_no")
        .agg(best=pl.col("trust").min())
    )
    return (
        ranked.join(best, on=[BY, "shift_no"], how="left")
        .filter(pl.col("trust") == pl.col("best"))
        .group_by(BY, "at", "evidence")
        .agg(pl.col("seq").max(), pl.col("k").sum())
        .select(BY, "at", "seq", "k", "evidence")
    )


def placed(counted: pl.LazyFrame, running: pl.LazyFrame, lost: pl.LazyFrame) -> pl.LazyFrame:
    """One row a part; where the counter skipped, the parts are spread over the time that made them.

    Parameters
    ----------
    counted : LazyFrame
        From `counts`.
    running, lost : LazyFrame
        machine, start, end: EXECUTION ACTIVE or WAIT; no signal.

    Returns
    -------
    LazyFrame
        machine, at, counted_at, seq, number, evidence, counted_in_batch, made_unseen, job, program, part (0, 1, ...
        per machine: the order of parts, which instants alone do not give within a batch).
    """
    one = counted.filter(pl.col("k") == 1).with_columns(
        counted_at="at", counted_in_batch=pl.lit(False), made_unseen=pl.lit(False), i=pl.lit(1, pl.Int64)
    )
    many = counted.filter(pl.col("k") > 1)
    losing = RunningClock(lost)
    from_count = pl.coalesce("previous_at", "at")
    gaps = losing.read(
        losing.read(many.with_columns(since=from_count), "since", "lost_before"), "at", "lost_after"
    ).with_columns(lost_signal=pl.col("lost_after") > pl.col("lost_before"))
    batches = pl.concat(
        [
            _spread(gaps.filter(~pl.col("lost_signal")), running),
            _spread(gaps.filter(pl.col("lost_signal")), pl.concat([running, lost]).select(BY, "start", "end")),
        ]
    ).pipe(inside, lost.with_columns(pl.col("end")), "made_unseen", at="at")
    columns = (
        BY,
        "at",
        "counted_at",
        "seq",
        "number",
        "evidence",
        "counted_in_batch",
        "made_unseen",
        "job",
        "program",
        "i",
    )
    return (
        pl.concat([one.select(*columns), batches.select(*columns)])
        .sort(BY, "at", "seq", "i")
        .with_columns(part=pl.int_range(pl.len()).over(BY))
        .drop("i")
    )


def _spread(many: pl.LazyFrame, made_in: pl.LazyFrame) -> pl.LazyFrame:
    clock = RunningClock(made_in)
    read = clock.read(clock.read(many, "since", "clock_from"), "at", "clock_to")
    ith = (
        read.with_columns(i=pl.int_ranges(1, pl.col("k") + 1))
        .explode("i")
        .with_columns(
            reading=pl.col("clock_from")
            + _nearest(pl.col("clock_to") - pl.col("clock_from"), pl.col("i"), pl.col("k")),
            moved=pl.col("clock_to") > pl.col("clock_from"),
        )
    )
    return clock.instant(ith, "reading", "place").with_columns(
        counted_at="at",
        at=pl.when("moved").then(pl.coalesce("place", "at")).otherwise("at"),
        counted_in_batch=pl.lit(True),
    )


def _nearest(whole: pl.Expr, i: pl.Expr, k: pl.Expr) -> pl.Expr:
    """i / k of a whole number to the nearest whole, halves to the even; exact, as no fraction is ever formed."""
    twice = 2 * whole * i + k
    up = twice // (2 * k)
    half = twice % (2 * k) == 0
    return up - (half & (up % 2 == 1)).cast(pl.Int64)


def with_quality(parts: pl.LazyFrame, observed: pl.LazyFrame) -> pl.LazyFrame:
    """Add `good`: null on machines that never told GOOD or BAD; a rise speaks of the last part before or at it."""
    told = observed.filter((pl.col("item") == "PART_COUNT") & pl.col("sub_type").is_in(["GOOD", "BAD"]))
    measured = told.group_by(BY).agg(has_bad=(pl.col("sub_type") == "BAD").any())
    rises = (
        told.filter(~pl.col("head"))
        .with_columns(k=pl.when("discrete").then("number").otherwise("step").round().cast(pl.Int64))
        .filter(pl.col("k") > 0)
        .select(BY, "at", "sub_type", "k")
    )
    spoken = (
        last_before(rises, parts.sort(BY, "part").select(BY, "at", "part"))
        .drop_nulls("part")
        .with_columns(back=pl.int_ranges(0, pl.col("k")))
        .explode("back")
        .select(BY, "sub_type", part=pl.col("part") - pl.col("back"))
        .group_by(BY, "part")
        .agg(bad=(pl.col("sub_type") == "BAD").any(), said_good=(pl.col("sub_type") == "GOOD").any())
    )
    good = pl.when("has_bad").then(~pl.col("bad").fill_null(False)).otherwise(pl.col("said_good").fill_null(False))
    return (
        parts.join(spoken, on=[BY, "part"], how="left")
        .join(measured, on=BY, how="left")
        .with_columns(good=pl.when(pl.col("has_bad").is_not_null()).then(good))
        .drop("bad", "said_good", "has_bad")
        .sort(BY, "part")
    )


def finish(parts: pl.LazyFrame, out_of_cycle: pl.LazyFrame) -> pl.LazyFrame:
    """Cycle times, and the table as it is kept.

    Parameters
    ----------
    parts : LazyFrame
        From `placed`, with good and setting.
    out_of_cycle : LazyFrame
        machine, start, end: stopped and reloading spans, which no cycle time holds.
    """
    clock = RunningClock(out_of_cycle)
    gross = (pl.col("at") - pl.col("at").shift(1).over(BY)).dt.total_microseconds()
    out = pl.col("out") - pl.col("out").shift(1).over(BY)
    return PARTS.conform(clock.read(parts, "at", "out").sort(BY, "part").with_columns(cycle_s=of_us(gross - out)))


def ordered(parts: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """How many parts of a job's order are made, on all machines together: job, at, made, in order of time.

    Parts known to be bad, parts of setting and parts of no job are none.
    """
    counts = ctx.earlier.wanted(parts).filter(
        (pl.col("job") != NO_JOB) & pl.col("good").fill_null(True) & ~pl.col("setting")
    )
    return (
        pl.concat([ctx.earlier.made, counts.select("job", "at", made=pl.lit(1, pl.Int64))])
        .sort("at", maintain_order=True)
        .with_columns(pl.col("made").cum_sum().over("job"))
    )


def unavailable(log: Log) -> pl.LazyFrame:
    """Stretches without signal: machine, start, end."""
    return _stretches(log, no_signal())


def running(log: Log) -> pl.LazyFrame:
    """Stretches of EXECUTION ACTIVE or WAIT with signal: machine, start, end."""
    return _stretches(log, pl.col("execution").is_in(RUNNING) & ~no_signal())


def no_signal() -> pl.Expr:
    """AVAILABILITY or EXECUTION is UNAVAILABLE, or EXECUTION was never told."""
    return (
        (pl.col("available").fill_null("") == UNAVAILABLE)
        | pl.col("execution").is_null()
        | (pl.col("execution") == UNAVAILABLE)
    )


def _stretches(log: Log, when: pl.Expr) -> pl.LazyFrame:
    kept = intervals_of(log.state, log.lives).filter(when).select(BY, "start", "end")
    new = (pl.col("start") > pl.col("end").shift(1).over(BY)).fill_null(True)
    return (
        kept.sort(BY, "start")
        .with_columns(_run=new.cum_sum())
        .group_by(BY, "_run", maintain_order=True)
        .agg(pl.col("start").first(), pl.col("end").last())
        .drop("_run")
    )

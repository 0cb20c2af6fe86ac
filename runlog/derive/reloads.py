"""Bar changes: all evidence between two counted parts makes one reload, with its outcome.

    attempts, completions, failures  -> told by MATERIAL_CHANGE / MATERIAL_LOAD, END_OF_BAR, a length or count jump
    opened    one row a gap with evidence: where it starts
    judged    completed first, a sign of failure first, or neither: where it ends and how

docs/rules.md, section Reloads, is the law; the names below are its names.
"""

from typing import Final

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import (
    BY,
    covering,
    divided,
    duration,
    first_after,
    held,
    held_all,
    inside,
    last_before,
    seconds,
)
from runlog.derive.observations import MANUAL_MODES, NOTES, UNAVAILABLE, Log, own_path
from runlog.derive.reload_evidence import MOMENT, evidence
from runlog.schema import INSTANT, RELOADS

LOADED: Final = ("completed", "recovered", "restarted")
"""Verdicts after which a bar came in."""
FAILED_STATES: Final = ("INTERRUPTED", "FEED_HOLD", "STOPPED")


def reloads(log: Log, counted: pl.LazyFrame, alarm: pl.LazyFrame, setting: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Reloads of every machine.

    Parameters
    ----------
    log : Log
    counted, alarm : LazyFrame
        From `counts`, `alarms`.
    setting : LazyFrame
        machine, start, end: the setting part of changeovers.
    ctx : Context

    Returns
    -------
    LazyFrame
        RELOADS columns but attended and run_hour, plus seq, loaded (a bar came in), and gave_up.
    """
    told = held(evidence(log.observed, ctx))
    opened = held(_opened(told, counted, log.state, ctx))
    judged = held(_judged(opened, told, log, counted, alarm, ctx))
    alarmed = _first_out(judged, alarm)
    noted = _noted(alarmed, log.observed, ctx)
    return _outcome(noted, setting)


# --- where it starts -----------------------------------------------------------------------------


def _gap(rows: pl.LazyFrame, counted: pl.LazyFrame) -> pl.LazyFrame:
    """Add the gap an evidence lies in: the number of the last count before it, 0 before the first."""
    opening = counted.select(BY, "seq", gap="number").sort("seq")
    return (
        rows.sort("seq")
        .join_asof(opening, on="seq", by=BY, strategy="backward", check_sortedness=False)
        .with_columns(pl.col("gap").fill_null(0))
    )


def _opened(told: pl.LazyFrame, counted: pl.LazyFrame, state: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """One row a gap with evidence: start, attempt instant, best evidence, the counts around it."""
    attempt = held(_gap(told.filter((pl.col("told") == "attempt") & (pl.col("trust") != 2)), counted))
    bar_end = _bar_ends(told, attempt, counted)
    gaps = pl.concat([attempt.with_columns(rose_gap="gap"), bar_end], how="diagonal")
    own = pl.col("trust") != 2
    summed = (
        gaps.sort("seq")
        .group_by(BY, "gap", maintain_order=True)
        .agg(
            trust=pl.col("trust").min(),
            evidence=pl.col("by").sort_by("trust", "seq").first(),
            own_at=pl.col("at").filter(own).first(),
            own_seq=pl.col("seq").filter(own).first(),
            rose_at=pl.col("at").filter(~own).first(),
            rose_seq=pl.col("seq").filter(~own).first(),
            rose_before=(~own & (pl.col("rose_gap") < pl.col("gap"))).any(),
        )
    )
    opening = counted.select(BY, count_at="at", count_seq="seq", gap="number")
    closing = counted.select(BY, next_at="at", next_seq="seq", gap=pl.col("number") - 1)
    gap_limit = ctx.limits.select(BY, "cycle_gap")
    attempt_at = pl.coalesce("own_at", "rose_at")
    from_count = pl.col("count_at").is_not_null() & (
        pl.col("rose_before") | ((attempt_at - pl.col("count_at")) <= pl.col("cycle_gap")) | (pl.col("trust") >= 3)
    )
    first_seq = pl.min_horizontal("own_seq", "rose_seq")
    first_at = pl.min_horizontal("own_at", "rose_at")
    return (
        summed.join(opening, on=[BY, "gap"], how="left")
        .join(closing, on=[BY, "gap"], how="left")
        .join(gap_limit, on=BY, how="left")
        .with_columns(
            attempt_at=attempt_at,
            start=pl.when(from_count).then("count_at").otherwise(first_at),
            seq=pl.when(from_count).then("count_seq").otherwise(first_seq),
        )
        .sort(BY, "seq")
        .pipe(_job_at_start, state, ctx)
    )


def _bar_ends(told: pl.LazyFrame, attempt: pl.LazyFrame, counted: pl.LazyFrame) -> pl.LazyFrame:
    """END_OF_BAR going YES, in the gap of the attempt that follows, else of its NO, else of the last count."""
    rows = told.filter(pl.col("trust") == 2).sort("seq")
    yes = _gap(rows.filter(pl.col("told") == "attempt"), counted)
    no = _gap(rows.filter(pl.col("told") == "completed"), counted).select(BY, "seq", no_gap="gap").sort("seq")
    tried = attempt.select(BY, "seq", try_gap="gap").sort("seq")
    last = counted.group_by(BY).agg(last_gap=pl.col("number").max())
    near = pl.when(pl.col("try_gap") <= pl.col("gap") + 1).then("try_gap")
    asof = {"on": "seq", "by": BY, "strategy": "forward", "check_sortedness": False}
    return (
        yes.sort("seq")
        .join_asof(tried, **asof)
        .join_asof(no, **asof)
        .join(last, on=BY, how="left", maintain_order="left")
        .with_columns(rose_gap="gap", gap=pl.coalesce(near, "no_gap", "last_gap", "gap"))
        .drop("try_gap", "no_gap", "last_gap")
    )


def _job_at_start(opened: pl.LazyFrame, state: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    columns = ("planned_s", "material", "diameter_mm", "feed_mode")
    selected = state.select(BY, "at", "program", "job", "mode")
    return (
        last_before(opened, selected, at="start")
        .drop("at")
        .join(ctx.plans.select(BY, "job", *columns), on=[BY, "job"], how="left")
        .join(
            ctx.limits.select(BY, "minor_stop", "look_ahead", "reload_slow", "give_up", "give_up_least_s"),
            on=BY,
            how="left",
        )
        .with_columns(
            give_up_at=pl.col("start")
            + duration(pl.max_horizontal(pl.col("planned_s") * pl.col("give_up"), "give_up_least_s"))
        )
        .sort(BY, "seq")
    )


# --- where it ends -------------------------------------------------------------------------------


def _judged(
    opened: pl.LazyFrame,
    told: pl.LazyFrame,
    log: Log,
    counted: pl.LazyFrame,
    alarm: pl.LazyFrame,
    ctx: Context,
) -> pl.LazyFrame:
    signs, done = held_all(_signs(told, log.observed, alarm, ctx), _completions(told, opened, counted))
    rows = _first(opened, signs, "sign", after="seq")
    rows = _first(rows, done, "done", after="seq")
    rows = _first(rows, done, "again", after="sign_seq")
    rows = _first(rows, log.seen, "seen", after="sign_seq")
    rows = _first(rows, log.starts, "cycle", after="seq")
    rows = _first(rows, log.starts, "next_cycle", after="done_seq", at_least=True)
    rows = _first(rows, log.starts, "again_cycle", after="again_seq", at_least=True)
    judged = (
        rows.join(log.lives.select(BY, "horizon"), on=BY, how="left")
        .with_columns(verdict=_verdict())
        .with_columns(end=_end(), loaded=pl.col("verdict").is_in(LOADED))
    )
    return _attempts(judged, told)


def _verdict() -> pl.Expr:
    """Completed first, a sign first and recovered or failed, restarted, open, or gave up."""
    in_time = pl.col("give_up_at")
    done = (pl.col("done_at") <= in_time) & (pl.col("sign_seq").is_null() | (pl.col("done_seq") < pl.col("sign_seq")))
    sign = pl.col("sign_at") <= in_time
    alone = (pl.col("again_at") <= pl.col("sign_at") + pl.col("minor_stop")) & (
        pl.col("seen_seq").is_null() | (pl.col("seen_seq") > pl.col("again_seq"))
    )
    part_soon = (pl.col("next_at") - pl.col("cycle_at")) <= (in_time - pl.col("start"))
    restarted = (pl.col("cycle_at") <= in_time) & part_soon
    unfinished = (pl.col("horizon") < in_time) & pl.col("next_at").is_null()
    return (
        pl.when(done.fill_null(False))
        .then(pl.lit("completed"))
        .when((sign & alone).fill_null(False))
        .then(pl.lit("recovered"))
        .when(sign.fill_null(False))
        .then(pl.lit("failed"))
        .when(restarted.fill_null(False))
        .then(pl.lit("restarted"))
        .when(unfinished)
        .then(pl.lit("open"))
        .otherwise(pl.lit("gave up"))
    )


def _end() -> pl.Expr:
    """The end that goes with each verdict."""
    planned = pl.col("start") + duration(pl.col("planned_s").fill_null(0.0))
    ends = {
        "completed": _end_after("done_at", "next_cycle_at"),
        "recovered": _end_after("again_at", "again_cycle_at"),
        "failed": pl.col("sign_at"),
        "restarted": pl.col("cycle_at"),
        "open": pl.col("horizon"),
        "gave up": pl.min_horizontal(planned, "next_at", "horizon"),
    }
    end = pl.lit(None, INSTANT)
    for verdict, when in ends.items():
        end = pl.when(pl.col("verdict") == verdict).then(when).otherwise(end)
    return end


def _signs(told: pl.LazyFrame, observed: pl.LazyFrame, alarm: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Signs of failure: FAIL, a feeder FAULT coming up, EXECUTION interrupted, held or stopped."""
    halted = own_path(observed, ctx, "EXECUTION").filter(pl.col("changed") & pl.col("text").is_in(FAILED_STATES))
    faults = alarm.filter(pl.col("feeder") & ~pl.col("restated") & pl.col("fault_seq").is_not_null())
    return pl.concat(
        [
            told.filter(pl.col("told") == "failed").select(*MOMENT),
            halted.select(*MOMENT),
            faults.select(BY, at="fault_start", seq="fault_seq"),
        ]
    ).sort("seq")


def _completions(told: pl.LazyFrame, opened: pl.LazyFrame, counted: pl.LazyFrame) -> pl.LazyFrame:
    """COMPLETE where the gap has an attempt of MATERIAL_CHANGE; NO and jumps where it has none."""
    rows = _gap(told.filter(pl.col("told") == "completed"), counted)
    best = opened.select(BY, "gap", gap_trust="trust")
    return rows.join(best, on=[BY, "gap"], how="inner").filter(pl.col("trust") == pl.col("gap_trust")).select(*MOMENT)


def _first(rows: pl.LazyFrame, other: pl.LazyFrame, name: str, *, after: str, at_least: bool = False) -> pl.LazyFrame:
    """Add `{name}_at` and `{name}_seq`: the other's first row after a seq, before the gap's next count.

    With `at_least` the comparison is by instant, so that a cycle start stamped as the completion counts
    whichever of the two the log wrote first.
    """
    coming = other.select(BY, pl.col("at").alias(f"{name}_at"), pl.col("seq").alias(f"{name}_seq"))
    if at_least:
        key, right = f"{after.removesuffix('_seq')}_at", f"{name}_at"
    else:
        key, right = after, f"{name}_seq"
    found = first_after(rows, coming, at=key, right=right, strict=not at_least)
    within = pl.col("next_seq").is_null() | (pl.col(f"{name}_seq") < pl.col("next_seq"))
    return found.with_columns(
        pl.when(within).then(f"{name}_at").alias(f"{name}_at"),
        pl.when(within).then(f"{name}_seq").alias(f"{name}_seq"),
    )


def _end_after(completion: str, cycle: str) -> pl.Expr:
    soon = (pl.col(cycle) - pl.col(completion)) <= pl.col("cycle_gap")
    return pl.when(soon.fill_null(False)).then(cycle).otherwise(completion)


def _attempts(judged: pl.LazyFrame, told: pl.LazyFrame) -> pl.LazyFrame:
    """Count attempts from the start to where the reload is decided."""
    tries = (
        told.filter((pl.col("told") == "attempt") & (pl.col("trust") == 1))
        .sort("seq")
        .select(BY, "at", "seq", nth=pl.int_range(1, pl.len() + 1).over(BY))
    )
    until = (
        pl.when(pl.col("verdict") == "failed")
        .then(
            pl.min_horizontal(
                pl.col("sign_at") + pl.col("minor_stop"),
                "seen_at",
                "next_at",
            )
        )
        .otherwise("end")
    )
    before = last_before(judged, tries.select(BY, at="at", tries_before="nth"), at="start", strict=True).drop("at")
    upto = last_before(
        before.with_columns(_until=until), tries.select(BY, at="at", tries_upto="nth"), at="_until"
    ).drop("at", "_until")
    number = pl.col("tries_upto").fill_null(0) - pl.col("tries_before").fill_null(0)
    return upto.with_columns(attempts=pl.max_horizontal(number, 1)).drop("tries_upto", "tries_before")


# --- how it went ---------------------------------------------------------------------------------


def _first_out(judged: pl.LazyFrame, alarm: pl.LazyFrame) -> pl.LazyFrame:
    """The earliest feeder alarm of level FAULT that came up from its start to just after its end."""
    faults = alarm.filter(pl.col("feeder") & ~pl.col("restated") & pl.col("fault_seq").is_not_null()).select(
        BY,
        first_out_at="fault_start",
        first_out_seq="fault_seq",
        first_out_code="code",
        first_out_text="text",
        first_out_cause="cause",
    )
    found = first_after(judged, faults, at="seq", right="first_out_seq", strict=True)
    slack = pl.when(pl.col("loaded")).then(pl.duration()).otherwise(pl.col("look_ahead"))
    within = (pl.col("first_out_at") <= pl.col("end") + slack).fill_null(False)
    names = ("first_out_at", "first_out_code", "first_out_text", "first_out_cause")
    return found.with_columns(pl.when(within).then(name).alias(name) for name in names).drop("first_out_seq")


def _noted(judged: pl.LazyFrame, observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Join what setup notes say: bars filled, lot, liner, pusher; number the bars since the filling."""
    rows = judged
    for item in NOTES:
        value = "number" if item == "BARS_LOADED" else "text"
        name = item.lower().removeprefix("bar_")
        notes = observed.filter((pl.col("item") == item) & (pl.col("text") != UNAVAILABLE)).select(
            BY, "at", pl.col(value).alias(name), pl.col("at").alias(f"{name}_at")
        )
        rows = last_before(rows, notes, at="start").drop("at")
    return (
        _with_bars_since(rows, ctx)
        .with_columns(pl.col("bars_loaded").cast(pl.Int64))
        .with_columns(
            bar_position=pl.when(pl.col("bars_loaded").is_not_null()).then(
                pl.col("bars_since") + (~pl.col("loaded")).cast(pl.Int64)
            )
        )
    )


def _with_bars_since(rows: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Add `bars_since`: bars brought since the filling, this one with them."""
    before = ctx.earlier.loads.sort(BY, "start").select(
        BY, "start", nth=pl.int_range(1, pl.len() + 1).over(BY), earlier=pl.len().cast(pl.Int64).over(BY)
    )
    whole = before.select(BY, "earlier").unique()
    gone = last_before(rows, before.select(BY, "nth", _at="start"), at="bars_loaded_at", right="_at", strict=True)
    here = pl.col("loaded") & (pl.col("cut").is_null() | (pl.col("start") >= pl.col("cut")))
    return (
        gone.drop("_at")
        .join(whole, on=BY, how="left")
        .join(ctx.earlier.cuts, on=BY, how="left")
        .sort(BY, "seq")
        .with_columns(
            bars_since=here.cast(pl.Int64).cum_sum().over(BY, "bars_loaded_at")
            + pl.col("earlier").fill_null(0)
            - pl.col("nth").fill_null(0)
        )
        .drop("nth", "earlier", "cut")
    )


def _outcome(rows: pl.LazyFrame, setting: pl.LazyFrame) -> pl.LazyFrame:
    alarmed = pl.col("first_out_at").is_not_null()
    slow = pl.col("duration_s") > pl.col("reload_slow") * pl.col("planned_s")
    noted = pl.col("bars_loaded").is_not_null()
    used_up = noted & (pl.col("bars_since") >= pl.col("bars_loaded"))
    empty = (pl.col("first_out_cause") == "magazine empty").fill_null(False) | used_up
    outcome = (
        pl.when(pl.col("verdict") == "open")
        .then(None)
        .when(pl.col("loaded") & ((pl.col("attempts") > 1) | alarmed | (pl.col("verdict") == "recovered")))
        .then(pl.lit("retried"))
        .when(pl.col("loaded") & slow.fill_null(False))
        .then(pl.lit("slow"))
        .when(pl.col("loaded"))
        .then(pl.lit("clean"))
        .when(empty.fill_null(False))
        .then(pl.lit("empty"))
        .when(alarmed | noted)
        .then(pl.lit("failed"))
        .otherwise(pl.lit("unclear"))
    )
    by_hand = pl.col("mode").is_in(MANUAL_MODES).fill_null(False)
    return (
        inside(rows, setting, "in_setting")
        .with_columns(duration_s=seconds(pl.col("end") - pl.col("start")))
        .with_columns(outcome=outcome, hand_load=by_hand | pl.col("in_setting"), gave_up=pl.col("verdict") == "gave up")
        .sort(BY, "seq")
    )


def finish(rows: pl.LazyFrame, attended: pl.LazyFrame, runs: pl.LazyFrame) -> pl.LazyFrame:
    """RELOADS as kept: with who was there and the hour of the unattended run."""
    held = runs.select(BY, "start", "end", run_start=pl.col("start"))
    placed = covering(inside(rows, attended, "attended"), held, "run_start", at="start")
    hours = divided(seconds(pl.col("start") - pl.col("run_start")), 3600)
    return RELOADS.conform(placed.with_columns(run_hour=hours).sort(BY, "start"))

"""Stops and what caused them: the first-out alarm, else what the state itself says, else unexplained.

begun    one row a stop: its pieces put together, with the state at its start
stops    cause, consequences, minor or not                                            (STOPS)
finish   which alarm belongs to which stop                                            (ALARMS)
"""

from typing import Final

import polars as pl

from runlog.derive.alarms import group_expr
from runlog.derive.context import Context
from runlog.derive.frames import BY, first_after, last_before, seconds
from runlog.derive.hung import with_standard
from runlog.derive.observations import Log
from runlog.derive.parts import ordered
from runlog.schema import ALARMS, STOPS

STATE_CAUSES: Final = {
    "FEED_HOLD": "feed hold",
    "PROGRAM_STOPPED": "programmed stop",
    "OPTIONAL_STOP": "programmed stop",
    "PROGRAM_OPTIONAL_STOP": "programmed stop",
}
"""EXECUTION values that name a stop's cause by themselves."""


def stops(
    log: Log,
    cut: pl.LazyFrame,
    alarm: pl.LazyFrame,
    reloaded: pl.LazyFrame,
    parts: pl.LazyFrame,
    standard: pl.LazyFrame,
    ctx: Context,
) -> pl.LazyFrame:
    """Every stop with its cause.

    Parameters
    ----------
    log : Log
    cut : LazyFrame
        From `spans.pieces`.
    alarm, reloaded, parts, standard : LazyFrame
        From the steps before.
    ctx : Context

    Returns
    -------
    LazyFrame
        STOPS columns (night_ending false until the runs are known) plus stop_no and first_out_seq.
    """
    begun = _begun(cut, standard, log.lives, ctx)
    stated = _state_cause(begun, reloaded, log.observed, parts, ctx)
    return _with_alarms(stated, alarm, ctx).sort(BY, "start")


def _begun(cut: pl.LazyFrame, standard: pl.LazyFrame, lives: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    first = ("program", "job", "hung", "after_failed", "execution", "estop")
    before = cut.with_columns(kind_before=pl.col("kind").shift(1).over(BY))
    limits = ctx.limits.select(BY, "minor_stop", "look_back", "look_ahead")
    return (
        before.filter(pl.col("stop_no").is_not_null())
        .group_by(BY, "stop_no", maintain_order=True)
        .agg(
            pl.col("start").first(),
            pl.col("end").last(),
            pl.col("kind_before").first(),
            *(pl.col(name).first() for name in first),
        )
        .join(limits, on=BY, how="left")
        .join(lives.select(BY, "horizon"), on=BY, how="left")
        .pipe(with_standard, standard, ctx, "start")
        .with_columns(
            duration_s=seconds(pl.col("end") - pl.col("start")),
            minor=(pl.col("end") - pl.col("start")) < pl.col("minor_stop"),
            open=pl.col("end") >= pl.col("horizon"),
            hung=pl.col("hung") & ~pl.col("after_failed"),
            search_from=pl.col("start")
            - pl.max_horizontal(
                "look_back",
                (pl.col("standard_s").fill_null(0) * 1e6).round().cast(pl.Int64).cast(pl.Duration("us")),
            ),
        )
        .with_columns(search_to=pl.when("hung").then("end").otherwise(pl.col("start") + pl.col("look_ahead")))
    )


def _state_cause(
    begun: pl.LazyFrame, reloaded: pl.LazyFrame, observed: pl.LazyFrame, parts: pl.LazyFrame, ctx: Context
) -> pl.LazyFrame:
    """What the state at its start says, where no alarm will."""
    failed = reloaded.filter(pl.col("outcome").is_in(["failed", "empty", "unclear"])).select(
        BY, start="end", failed_outcome="outcome"
    )
    door = observed.filter((pl.col("item") == "DOOR_STATE") & pl.col("changed") & (pl.col("text") == "OPEN"))
    rows = begun.join(failed.unique([BY, "start"], keep="last", maintain_order=True), on=[BY, "start"], how="left")
    rows = first_after(
        rows.with_columns(door_from=pl.col("start") - pl.col("look_ahead")),
        door.select(BY, door_at="at"),
        at="door_from",
        right="door_at",
    )
    rows = _order_done(rows, observed, parts, ctx)
    door_open = (pl.col("door_at") <= pl.col("start") + pl.col("look_ahead")).fill_null(False)
    execution = pl.col("execution").replace_strict(STATE_CAUSES, default=None, return_dtype=pl.String())
    said = (
        pl.when(pl.col("estop") == "TRIGGERED")
        .then(pl.lit("emergency stop"))
        .when(pl.col("failed_outcome") == "empty")
        .then(pl.lit("magazine empty"))
        .when(pl.col("failed_outcome").is_not_null())
        .then(pl.lit("no bar or feeder fault"))
        .when("hung")
        .then(pl.lit("hung in cycle"))
        .when(execution.is_not_null())
        .then(execution)
        .when(door_open)
        .then(pl.lit("door opened"))
        .when("order_done")
        .then(pl.lit("count reached"))
        .when(pl.col("kind_before") == "no signal")
        .then(pl.lit("signal lost"))
    )
    return rows.with_columns(said=said)


def _order_done(rows: pl.LazyFrame, observed: pl.LazyFrame, parts: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Add `order_done`: the job's quantity is made, or the path's countdown stands at 0."""
    countdown = observed.filter(
        (pl.col("item") == "PART_COUNT")
        & (pl.col("sub_type") == "REMAINING")
        & (pl.col("component") != "feeder")
        & pl.col("number").is_not_null()
    ).select(BY, "at", remaining="number")
    made = ordered(parts, ctx).rename({"at": "made_at"})
    quantity = ctx.plans.select("job", "order_quantity").unique("job")
    return (
        last_before(rows, countdown, at="start")
        .drop("at")
        .sort("start")
        .join_asof(made, left_on="start", right_on="made_at", by="job", strategy="backward", check_sortedness=False)
        .join(quantity, on="job", how="left")
        .with_columns(
            order_done=(pl.col("remaining") == 0).fill_null(False)
            | (pl.col("made") >= pl.col("order_quantity")).fill_null(False)
        )
    )


def _with_alarms(rows: pl.LazyFrame, alarm: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """First-out and consequences of every stop, and the cause that follows."""
    faults = alarm.filter(~pl.col("restated") & pl.col("fault_seq").is_not_null()).select(
        pl.col(BY).alias("alarm_machine"), "fault_start", "fault_seq", "end", "code", "text", "cause"
    )
    windows = rows.select(BY, "stop_no", "start", "search_from", "search_to", stop_end="end")
    pairs = (
        windows.join_where(
            faults.rename({"end": "cleared"}),
            pl.col(BY) == pl.col("alarm_machine"),
            pl.col("fault_start") >= pl.col("search_from"),
            pl.col("fault_start") < pl.max_horizontal("stop_end", "search_to"),
        )
        .filter(pl.col("cleared").is_null() | (pl.col("cleared") > pl.col("start")))
        .filter((pl.col("fault_start") <= pl.col("search_to")) | (pl.col("fault_start") < pl.col("stop_end")))
        .sort("stop_no", "fault_seq")
    )
    eligible = pl.col("fault_start") <= pl.col("search_to")
    first_seq = pl.col("fault_seq").filter(eligible).min()
    later = pl.col("code").filter(pl.col("fault_seq") > first_seq)
    found = pairs.group_by("stop_no", maintain_order=True).agg(
        first_out_seq=first_seq,
        code=pl.col("code").filter(pl.col("fault_seq") == first_seq).first(),
        text=pl.col("text").filter(pl.col("fault_seq") == first_seq).first(),
        first_out_cause=pl.col("cause").filter(pl.col("fault_seq") == first_seq).first(),
        consequences=(pl.col("fault_seq") > first_seq).sum(),
        consequence_codes=later.str.join(","),
    )
    has_first = pl.col("first_out_seq").is_not_null()
    basis = (
        pl.when(has_first)
        .then(pl.lit("alarm"))
        .when(pl.col("said").is_not_null())
        .then(pl.lit("state"))
        .otherwise(pl.lit("none"))
    )
    return (
        rows.join(found, on="stop_no", how="left")
        .with_columns(
            cause=pl.coalesce("first_out_cause", "said", pl.lit("unexplained")),
            basis=basis,
            consequences=pl.when(has_first).then("consequences").otherwise(0),
            consequence_codes=pl.when(has_first & (pl.col("consequence_codes") != "")).then("consequence_codes"),
            named_by=pl.lit(None, pl.String()),
            night_ending=pl.lit(False),
        )
        .with_columns(cause_group=group_expr(ctx.site))
        .select(*STOPS.columns, "stop_no", "first_out_seq")
    )


def finish(rows: pl.LazyFrame, runs: pl.LazyFrame) -> pl.LazyFrame:
    """STOPS as kept: a stop that ended an unattended run is night-ending."""
    ended = runs.filter(pl.col("ended_by") == "stop").select(BY, start="end", ended_run=pl.lit(True))
    return STOPS.conform(
        rows.join(ended.unique([BY, "start"]), on=[BY, "start"], how="left")
        .with_columns(night_ending=pl.col("ended_run").fill_null(False))
        .sort(BY, "start")
    )


def finish_alarms(alarm: pl.LazyFrame, stopped: pl.LazyFrame) -> pl.LazyFrame:
    """ALARMS as kept: the stop each belongs to, and whether it was that stop's first-out.

    A fault belongs to the stop it was first-out of, else to the one during which it came up.
    """
    firsts = stopped.filter(pl.col("first_out_seq").is_not_null()).select(first_stop="start", fault_seq="first_out_seq")
    first = firsts.sort("first_stop").unique("fault_seq", keep="first")
    during = stopped.select(BY, stop_start="start", stop_end="end")
    placed = last_before(alarm, during, at="start", right="stop_start")
    within = pl.col("start") < pl.col("stop_end")
    return ALARMS.conform(
        placed.join(first, on="fault_seq", how="left")
        .with_columns(
            stop=pl.coalesce("first_stop", pl.when(within).then("stop_start")),
            first_out=pl.col("first_stop").is_not_null(),
        )
        .sort(BY, "start", "seq")
    )

"""Events put in order, told apart into news and restatements, and read as the machine's state over time.

read(events, lives, ctx)      all of the following, as one `Log`
observations(events)          the items derivation reads, in order, with what changed; measured values apart
states(observations, ctx)     execution, mode, program ... as they hold from instant to instant
evidence(observations, ctx)   instants at which somebody was there
visits(evidence, ctx)         those joined into visits
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import BY, after, before, held, held_all, ordered
from runlog.schema import INSTANT, NO_JOB
from runlog.site import Site

ITEMS: Final = (
    "AVAILABILITY",
    "BARS_LOADED",
    "BAR_LOT",
    "CONDITION",
    "CONTROLLER_MODE",
    "DOOR_STATE",
    "EMERGENCY_STOP",
    "END_OF_BAR",
    "EXECUTION",
    "KEY_PRESSED",
    "LENGTH",
    "LINER",
    "LOAD",
    "MATERIAL_CHANGE",
    "MATERIAL_LOAD",
    "OPERATOR_ID",
    "PART_COUNT",
    "PROGRAM",
    "PUSHER",
    "ROTARY_VELOCITY",
    "USER",
)
"""Items derivation reads; all else is kept in the events and passed over here."""

MEASURED: Final = ("LOAD", "ROTARY_VELOCITY")
"""Items of which every value is one more measurement, and never news: more rows than all others together."""

NOTES: Final = ("BARS_LOADED", "BAR_LOT", "LINER", "PUSHER")
UNAVAILABLE: Final = "UNAVAILABLE"
RUNNING: Final = ("ACTIVE", "WAIT")
MANUAL_MODES: Final = ("MANUAL", "MANUAL_DATA_INPUT", "EDIT", "SEMI_AUTOMATIC")
ORDER: Final = ("machine", "at", "body_start", "file", "line", "cell")
STATE_ITEMS: Final = ("EXECUTION", "CONTROLLER_MODE", "AVAILABILITY", "EMERGENCY_STOP", "PROGRAM")


@dataclass(frozen=True)
class Log:
    """The events of some machines as derivation reads them; every later step starts from these frames.

    Attributes
    ----------
    observed, measured : LazyFrame
        From `observations`.
    state : LazyFrame
        From `states`.
    starts : LazyFrame
        From `cycle_starts`.
    seen, visited : LazyFrame
        From `evidence` and `visits`.
    lives : LazyFrame
        From `life`.
    """

    observed: pl.LazyFrame
    measured: pl.LazyFrame
    state: pl.LazyFrame
    starts: pl.LazyFrame
    seen: pl.LazyFrame
    visited: pl.LazyFrame
    lives: pl.LazyFrame


def read(events: pl.LazyFrame, lives: pl.LazyFrame, ctx: Context) -> Log:
    """Put events in order and read off what holds, what is new and who was there; see `Log`."""
    observed, measured = observations(events, ctx)
    state, starts, seen = held_all(
        states(observed, measured, ctx), cycle_starts(observed, ctx), evidence(observed, ctx)
    )
    return Log(
        observed=observed,
        measured=measured,
        state=state,
        starts=starts,
        seen=seen,
        visited=held(visits(seen, ctx)),
        lives=lives,
    )


def observations(events: pl.LazyFrame, ctx: Context) -> tuple[pl.LazyFrame, pl.LazyFrame]:
    """The events that derivation reads, in order.

    Parameters
    ----------
    events : LazyFrame
        EVENTS, distinct.
    ctx : Context

    Returns
    -------
    observed : LazyFrame
        EVENTS columns in use plus `seq` (place in the order, over all machines), `previous` (the item's
        last known text before, UNAVAILABLE left out; null if none), `step` (number less the last known
        number) and `changed` (the text is known, not of a head, and not `previous`). What was carried is a head
        as well, as it holds and is no news; `restated` says whether the log called it one.
    measured : LazyFrame
        Rows of MEASURED: machine, at, seq, item, sub_type, component, text, number.
    """
    known = pl.col("text") != UNAVAILABLE
    item = (BY, "data_item")
    columns = (*ORDER, "head", "item", "sub_type", "component", "data_item", "text", "number", "discrete")
    words = ("code", "type", "level", "message", "condition_id")
    read = events.filter(is_read(ctx.site, ctx.machines)).select(*columns, *words, restated="head")
    if begins := dict(ctx.earlier.begins.collect().iter_rows()):
        since = pl.col(BY).cast(pl.String).replace_strict(begins, default=None, return_dtype=INSTANT)
        read = read.with_columns(head=pl.col("head") | (pl.col("at") < since).fill_null(False))
    rows = held(ordered(read, *ORDER).with_row_index("seq").with_columns(pl.col("seq").cast(pl.Int64)))
    is_measured = pl.col("item").is_in(MEASURED)
    measured = rows.filter(is_measured).select(BY, "at", "seq", "item", "sub_type", "component", "text", "number")
    observed = (
        rows.filter(~is_measured)
        .with_columns(
            previous=pl.when(known).then("text").shift(1).forward_fill().over(item),
            step=pl.col("number") - pl.col("number").shift(1).forward_fill().over(item),
        )
        .with_columns(
            changed=known & ~pl.col("head") & (pl.col("text").ne_missing(pl.col("previous")) | pl.col("discrete"))
        )
        .drop("body_start", "file", "line", "cell")
    )
    observed, measured = held_all(observed, measured)
    return observed, measured


def is_read(site: Site, machines: Iterable[str]) -> pl.Expr:
    """Whether derivation reads a row: ITEMS, and what the site declares to be a heartbeat."""
    # Of loads only the spindles' are read: axes tell theirs all the time.
    of_axis = (pl.col("item") == "LOAD") & ~pl.col("component").is_in(["main", "sub"])
    read = pl.col("item").is_in(ITEMS) & ~of_axis
    beats = [{BY: name, "item": beat.item} for name in machines if (beat := site.machine(name).heartbeat)]
    return read | pl.struct(pl.col(BY).cast(pl.String), "item").is_in(beats) if beats else read


def life(events: pl.LazyFrame, begins: pl.LazyFrame) -> pl.LazyFrame:
    """First body event and horizon of each machine: machine, first, horizon.

    The horizon is the latest event of any machine of the same sources, so a machine that fell silent is
    followed as long as its collector was heard. Setup notes are a person's words and keep no machine alive.

    Parameters
    ----------
    events : LazyFrame
        EVENTS.
    begins : LazyFrame
        machine, begins: of machines that lived before, when the events given here begin.
    """
    by_source = (
        events.filter(~pl.col("item").is_in(NOTES))
        .group_by(BY, "source")
        .agg(first=pl.col("at").filter(~pl.col("head")).min(), last=pl.col("at").max())
    )
    return (
        by_source.with_columns(last=pl.col("last").max().over("source"))
        .group_by(BY)
        .agg(pl.col("first").min(), horizon=pl.col("last").max())
        .join(begins, on=BY, how="left")
        .select(BY, pl.coalesce("begins", "first").alias("first"), "horizon")
        .filter(pl.col("first").is_not_null())
        .sort(BY)
    )


def own_path(observed: pl.LazyFrame, ctx: Context, item: str) -> pl.LazyFrame:
    """Rows of an item on the machine's path: the one the site names, else the least component name."""
    rows = observed.filter(pl.col("item") == item).join(
        ctx.limits.select(BY, "path"), on=BY, how="left", maintain_order="left"
    )
    least = pl.col("component").min().over(BY)
    named = pl.col("path").fill_null("") != ""
    return rows.filter(pl.col("component") == pl.when(named).then("path").otherwise(least)).drop("path")


def states(observed: pl.LazyFrame, measured: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """What held from each instant on, one row a change.

    Returns
    -------
    LazyFrame
        machine, at, seq, execution, mode, available, estop, program, job. Mode, program and estop keep
        their last known value through UNAVAILABLE; execution and availability say it.
    """
    rows, beats = _state_rows(observed, ctx), _heartbeat_rows([observed, measured], ctx)
    if beats:
        both = pl.concat([rows, *beats], how="diagonal")
        rows = both.sort("seq", nulls_last=True).sort(BY, "at", maintain_order=True)
    kept = {
        "execution": "EXECUTION",
        "mode": "CONTROLLER_MODE",
        "available": "AVAILABILITY",
        "estop": "EMERGENCY_STOP",
        "program": "PROGRAM",
        "heartbeat": "HEARTBEAT",
    }
    columns = [pl.when(pl.col("item") == item).then("text").alias(name) for name, item in kept.items()]
    return (
        rows.select(BY, "at", "seq", *columns)
        .with_columns(pl.col(*kept).forward_fill().over(BY))
        .filter((pl.col("at") != after("at")).fill_null(True))
        .join(ctx.programs, on="program", how="left", maintain_order="left")
        .with_columns(
            pl.col("job").fill_null(NO_JOB),
            available=pl.when(pl.col("heartbeat") == "LATE").then(pl.lit(UNAVAILABLE)).otherwise("available"),
        )
        .drop("heartbeat")
    )


def _state_rows(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Rows that tell a machine's state, in order: of its path, and known where the last known value holds on.

    PROGRAM is read from the best sub type a machine has: MAIN, else none, else ACTIVE.
    """
    item, known = pl.col("item"), pl.col("text") != UNAVAILABLE
    rank = pl.col("sub_type").replace_strict({"MAIN": 0, "": 1, "ACTIVE": 2}, default=None, return_dtype=pl.Int8)
    program = (item == "PROGRAM") & known
    best = rank == rank.filter(program).min().over(BY)
    named = pl.col("path").fill_null("") != ""
    own = pl.col("component") == pl.when(named).then("path").otherwise(pl.col("component").min().over(BY, "item"))
    kept = (
        ((item == "EXECUTION") & own)
        | ((item == "CONTROLLER_MODE") & own & known)
        | (item == "AVAILABILITY")
        | ((item == "EMERGENCY_STOP") & known)
        | (program & best)
    )
    return (
        observed.filter(item.is_in(STATE_ITEMS))
        .select(BY, "at", "seq", "item", "sub_type", "component", "text")
        .join(ctx.limits.select(BY, "path"), on=BY, how="left", maintain_order="left")
        .filter(kept)
        .drop("path")
    )


def _heartbeat_rows(told: list[pl.LazyFrame], ctx: Context) -> list[pl.LazyFrame]:
    """For each declared heartbeat: its beats, and an instant at which it is overdue."""
    out = []
    for name in ctx.machines:
        beat = ctx.site.machine(name).heartbeat
        if beat is None:
            continue
        heard = (pl.col(BY) == name) & (pl.col("item") == beat.item) & (pl.col("text") != UNAVAILABLE)
        beats = pl.concat(
            frame.filter(heard).select(BY, "at", "seq", item=pl.lit("HEARTBEAT"), text=pl.lit("HEARD"))
            for frame in told
        )
        due = pl.col("at") + pl.duration(microseconds=round(beat.limit_s * 1e6))
        late = beats.filter(due < pl.col("at").shift(-1).fill_null(due.dt.offset_by("1d"))).select(
            BY, at=due, seq=pl.lit(None, pl.Int64), item=pl.lit("HEARTBEAT"), text=pl.lit("LATE")
        )
        out += [beats, late]
    return out


def intervals_of(state: pl.LazyFrame, lives: pl.LazyFrame) -> pl.LazyFrame:
    """States as intervals [start, end) within each machine's life, with every state column."""
    return (
        state.join(lives, on=BY, how="inner", maintain_order="left")
        .with_columns(
            start=pl.max_horizontal("at", "first"),
            end=after("at").fill_null(pl.col("horizon")),
        )
        .with_columns(end=pl.min_horizontal("end", "horizon"))
        .filter(pl.col("start") < pl.col("end"))
        .drop("at", "first", "horizon")
    )


def cycle_starts(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Instants at which a cycle starts: EXECUTION becomes ACTIVE from anything but ACTIVE, WAIT or UNAVAILABLE.

    Returns
    -------
    LazyFrame
        machine, at, seq.
    """
    return (
        own_path(observed, ctx, "EXECUTION")
        .filter((pl.col("text") == "ACTIVE") & ~before("text").is_in([*RUNNING, UNAVAILABLE]))
        .select(BY, "at", "seq")
    )


def evidence(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Instants at which somebody was seen to be there: machine, at, seq, and which item told.

    A door opened (not an automatic one), a mode or operator changed, a key pressed: changes only, never
    the first value known and never what a reconnect restates.
    """
    door = (pl.col("item") == "DOOR_STATE") & (pl.col("text") == "OPEN") & ~pl.col("automatic_door")
    person = pl.col("item").is_in(["CONTROLLER_MODE", "OPERATOR_ID", "USER"])
    key = pl.col("item") == "KEY_PRESSED"
    return (
        observed.filter((pl.col("item") == "DOOR_STATE") | person | key)
        .join(ctx.limits.select(BY, "automatic_door"), on=BY, how="left", maintain_order="left")
        .filter(pl.col("changed") & ((pl.col("previous").is_not_null() & (door | person)) | key))
        .select(BY, "at", "seq", "item")
    )


def visits(seen: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Evidence joined into visits: machine, start, last_seen, end (`visit_after` past the last evidence)."""
    apart = (pl.col("at") - before("at")) > pl.col("visit_after")
    return (
        ordered(seen, BY, "at")
        .join(ctx.limits.select(BY, "visit_after"), on=BY, how="left", maintain_order="left")
        .with_columns(visit=apart.fill_null(True).cum_sum())
        .group_by(BY, "visit", maintain_order=True)
        .agg(
            start=pl.col("at").first(),
            last_seen=pl.col("at").last(),
            end=pl.col("at").last() + pl.col("visit_after").last(),
        )
        .drop("visit")
    )

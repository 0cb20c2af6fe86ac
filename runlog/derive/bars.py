"""Bars: what came in, what was made of it, what was left.

A bar lasts from the reload that brought it to the start of the next. Its stock account is
`loaded = parts x (part + parting + facing) + top cut + remnant + unaccounted`; the remnant is measured
(LENGTH REMAINING at the end of the bar) or inferred from the account, and the row says which. A bar that a person
took out by hand, or that was used up while no signal came, has an end nobody knows: no remnant, no statistic.
"""

from datetime import UTC, datetime
from typing import Final

import polars as pl

from runlog.derive.context import Context
from runlog.derive.earlier import JUMPS
from runlog.derive.frames import BY, first_after, last_before
from runlog.derive.observations import UNAVAILABLE, Log
from runlog.derive.reload_evidence import with_jumps
from runlog.schema import BARS

FAR: Final = datetime(9999, 1, 1, tzinfo=UTC)
"""An instant after every log: the end of a bar that is still in the spindle."""


def bars(log: Log, reloaded: pl.LazyFrame, parts: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Every bar brought by a reload (BARS).

    Parameters
    ----------
    log : Log
    reloaded, parts : LazyFrame
        From `reloads`, `placed` (with good and job).
    ctx : Context
    """
    bounds = _bounds(reloaded, log.starts)
    counted = _counted(bounds, parts, ctx)
    measured = _lengths(counted, log.observed, ctx)
    return _account(measured, ctx)


def _bounds(reloaded: pl.LazyFrame, starts: pl.LazyFrame) -> pl.LazyFrame:
    """One row a bar: the reload that brought it, and the next. A reload that failed brought one by hand."""
    rows = reloaded.filter(pl.col("outcome").is_not_null()).select(
        BY, "start", "end", "seq", "loaded", "job", "hand_load", "lot"
    )
    by_hand = first_after(rows, starts.select(BY, by_hand_at="at"), at="end", right="by_hand_at")
    return (
        by_hand.sort(BY, "start")
        .with_columns(
            loaded_at=pl.when("loaded").then("end").otherwise("by_hand_at"),
            finished_at=pl.col("start").shift(-1).over(BY),
            taken_out=pl.col("hand_load").shift(-1).over(BY).fill_null(False),
        )
        .filter(
            pl.col("loaded_at").is_not_null()
            & (pl.col("finished_at").is_null() | (pl.col("loaded_at") <= pl.col("finished_at")))
        )
        .with_columns(bar_no=pl.int_range(pl.len()).over(BY))
    )


def brought(reloaded: pl.LazyFrame, starts: pl.LazyFrame) -> pl.LazyFrame:
    """When a bar came into the spindle, by feeder or hand: machine, bar_at, bar_done (null: in it still)."""
    return _bounds(reloaded, starts).select(BY, bar_at="loaded_at", bar_done="finished_at")


def _counted(bounds: pl.LazyFrame, parts: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Parts made of each bar: those counted after its reload began, up to the next one's start.

    Two jobs on one bar each use their own pitch; a part of no job leaves the used length unknown.
    """
    pitch = ctx.plans.select(BY, "job", "pitch_mm", "part_mm")
    own = last_before(
        parts.select(BY, "at", "job", "good", "made_unseen"),
        bounds.select(BY, "bar_no", bar_start="start"),
        right="bar_start",
        strict=True,
    )
    made = (
        own.drop_nulls("bar_no")
        # Lengths are summed in the order of parts, so that a sum is the same to the last bit each time.
        .join(pitch, on=[BY, "job"], how="left", maintain_order="left")
        .group_by(BY, "bar_no", maintain_order=True)
        .agg(
            parts=pl.len().cast(pl.Int64),
            good_parts=pl.when(pl.col("good").is_not_null().all()).then(pl.col("good").sum()).cast(pl.Int64),
            part_job=pl.col("job").first(),
            unseen=pl.col("made_unseen").any(),
            cut_mm=pl.when(pl.col("pitch_mm").is_not_null().all()).then(pl.col("pitch_mm").sum()),
            parts_mm=pl.when(pl.col("part_mm").is_not_null().all()).then(pl.col("part_mm").sum()),
            good_mm=pl.when(pl.col("part_mm").is_not_null().all() & pl.col("good").is_not_null().all()).then(
                (pl.col("part_mm") * pl.col("good")).sum()
            ),
        )
    )
    return (
        bounds.join(made, on=[BY, "bar_no"], how="left")
        .with_columns(
            pl.col("parts").fill_null(0),
            cut_mm=pl.when(pl.col("parts").is_null()).then(0.0).otherwise("cut_mm"),
            parts_mm=pl.when(pl.col("parts").is_null()).then(0.0).otherwise("parts_mm"),
            end_unknown=pl.col("taken_out") | pl.col("unseen").fill_null(False),
            job=pl.coalesce("part_job", "job"),
        )
        .drop("part_job")
    )


def _lengths(rows: pl.LazyFrame, observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Measured lengths of each bar, loaded and left; null where not measured.

    A log does not repeat a value that stays the same, so LENGTH STANDARD is read as it holds when the bar is
    finished: two bars of one length are told once.
    """
    lengths = with_jumps(observed.filter(pl.col("item") == "LENGTH"), ctx)
    number = pl.when(pl.col("text") != UNAVAILABLE).then("number")
    standard = lengths.filter(pl.col("sub_type") == "STANDARD").select(BY, std_at="at", standard_mm=number)
    remaining = lengths.filter((pl.col("sub_type") == "REMAINING") & ~pl.col("restated")).select(
        BY, rem_at="at", remaining_mm=number, rise="jumped"
    )
    risen = remaining.filter("rise").select(BY, "rem_at", risen_mm="remaining_mm")
    ends = rows.with_columns(_until=pl.coalesce("finished_at", pl.lit(FAR)))
    held_then = last_before(ends, standard, at="_until", right="std_at", strict=True)
    rose = first_after(held_then, risen, at="start", right="rem_at", strict=True).with_columns(
        risen_mm=pl.when(pl.col("rem_at") < pl.col("_until")).then("risen_mm")
    )
    loaded = rose.with_columns(loaded_measured_mm=pl.coalesce("standard_mm", "risen_mm"))
    return _left_over(loaded.drop("std_at", "standard_mm", "rem_at", "risen_mm", "_until"), remaining, ctx)


def _left_over(rows: pl.LazyFrame, remaining: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """The last REMAINING before the next bar comes in.

    It must have been told since this bar came in, unless the machine tells REMAINING at the end of a bar only: then
    an unchanged value holds.
    """
    fallen = remaining.filter(~pl.col("rise")).select(BY, "rem_at", left_mm="remaining_mm")
    jumping = pl.concat([remaining.filter("rise").select(BY), ctx.earlier.ever(JUMPS)]).unique()
    ends = rows.sort(BY, "loaded_at").with_columns(next_loaded_at=pl.col("loaded_at").shift(-1).over(BY))
    found = last_before(
        ends.with_columns(_until=pl.coalesce("next_loaded_at", pl.lit(FAR))), fallen, at="_until", right="rem_at"
    ).join(jumping.with_columns(jumps=pl.lit(True)), on=BY, how="left")
    told = (pl.col("rem_at") >= pl.col("loaded_at")) | pl.col("jumps").is_null()
    return found.with_columns(left_mm=pl.when(told & pl.col("next_loaded_at").is_not_null()).then("left_mm")).drop(
        "next_loaded_at", "rem_at", "jumps", "_until"
    )


def _account(rows: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    done = pl.col("finished_at").is_not_null() & ~pl.col("end_unknown")
    used = pl.col("cut_mm") + pl.col("top_cut_mm")
    measured = pl.col("loaded_measured_mm").is_not_null()
    left = pl.col("left_mm").is_not_null()
    both = done & measured & left
    inferred = pl.col("loaded_mm") - pl.col("used_mm")
    fewer = done & ~both & (pl.col("parts") < pl.col("planned_parts"))
    unknown = pl.col("finished_at").is_not_null() & pl.col("end_unknown")
    flag = (
        pl.when(unknown)
        .then(pl.lit("end unknown"))
        .when(both & (pl.col("unaccounted_mm").abs() >= pl.col("pitch_mm") / 2))
        .then(pl.lit("unaccounted stock"))
        .when(fewer.fill_null(False))
        .then(pl.lit("fewer parts than planned"))
    )
    return BARS.conform(
        rows.join(ctx.plans, on=[BY, "job"], how="left")
        .with_columns(
            loaded_mm=pl.coalesce("loaded_measured_mm", "bar_mm"),
            loaded_basis=pl.when(measured)
            .then(pl.lit("measured"))
            .when(pl.col("bar_mm").is_not_null())
            .then(pl.lit("planned")),
            used_mm=used,
            parting_mm=pl.col("cut_mm") - pl.col("parts_mm"),
            planned_parts=pl.col("parts_per_bar"),
        )
        .with_columns(
            remnant_mm=pl.when(done).then(pl.coalesce("left_mm", inferred)),
            remnant_basis=pl.when(done & left)
            .then(pl.lit("measured"))
            .when(done & inferred.is_not_null())
            .then(pl.lit("inferred")),
            unaccounted_mm=pl.when(both).then(inferred - pl.col("left_mm")),
        )
        .with_columns(
            remnant_kg=pl.col("remnant_mm") * pl.col("kg_per_mm"),
            planned_remnant_kg=pl.col("planned_remnant_mm") * pl.col("kg_per_mm"),
            flag=flag,
        )
        .with_columns(remnant_cost=pl.col("remnant_kg") * pl.col("price_per_kg"))
        .sort(BY, "loaded_at")
    )

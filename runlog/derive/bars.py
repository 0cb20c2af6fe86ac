"""Bars: what came in, what was made of it, what was left.

A bar lasts from the reload that brought it to the start of the next. Its stock account is
`loaded = parts x (part + parting + facing) + top cut + remnant + unaccounted`; the remnant is measured
(LENGTH REMAINING at the end of the bar) or inferred from the account, and the row says which. A bar that a person
took out by hand, or that was used up while no signal came, has an end nobody knows: no remnant, no statistic.
"""

from typing import Final

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import BY, first_after, last_before
from runlog.derive.observations import UNAVAILABLE, Log
from runlog.derive.reload_evidence import with_jumps
from runlog.schema import BARS

LENGTHS: Final = {"loaded": ("STANDARD", "REMAINING"), "left": ("REMAINING",)}


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
        BY, "start", "end", "seq", "loaded", "job", "hand_load"
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
    pitch = ctx.plans.select(BY, "job", pitch_mm=pl.col("part_mm") + pl.col("waste_mm"))
    own = last_before(
        parts.select(BY, "at", "job", "good", "made_unseen"),
        bounds.select(BY, "bar_no", bar_start="start"),
        right="bar_start",
        strict=True,
    )
    made = (
        own.drop_nulls("bar_no")
        .join(pitch, on=[BY, "job"], how="left")
        .sort(BY, "at")
        .group_by(BY, "bar_no", maintain_order=True)
        .agg(
            parts=pl.len().cast(pl.Int64),
            good_parts=pl.when(pl.col("good").is_not_null().all()).then(pl.col("good").sum()).cast(pl.Int64),
            part_job=pl.col("job").first(),
            unseen=pl.col("made_unseen").any(),
            cut_mm=pl.when(pl.col("pitch_mm").is_not_null().all()).then(pl.col("pitch_mm").sum()),
        )
    )
    return (
        bounds.join(made, on=[BY, "bar_no"], how="left")
        .with_columns(
            pl.col("parts").fill_null(0),
            cut_mm=pl.when(pl.col("parts").is_null()).then(0.0).otherwise("cut_mm"),
            end_unknown=pl.col("taken_out") | pl.col("unseen").fill_null(False),
            job=pl.coalesce("part_job", "job"),
        )
        .drop("part_job")
    )


def _lengths(rows: pl.LazyFrame, observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Measured lengths: at load from the reload's start on, at the end from a minute before the next reload."""
    told = with_jumps(observed, ctx).filter(
        (pl.col("item") == "LENGTH")
        & (pl.col("text") != UNAVAILABLE)
        & ~pl.col("head")
        & pl.col("number").is_not_null()
    )
    standard = told.filter(pl.col("sub_type") == "STANDARD").select(BY, std_at="at", standard_mm="number")
    remaining = told.filter(pl.col("sub_type") == "REMAINING").select(
        BY, rem_at="at", remaining_mm="number", rise="jumped"
    )
    until = pl.coalesce("finished_at", pl.lit(None, pl.Datetime("us", "UTC")))
    rows = first_after(rows, standard, at="start", right="std_at", strict=True)
    rows = first_after(
        rows,
        remaining.filter("rise").select(BY, "rem_at", risen_mm="remaining_mm"),
        at="start",
        right="rem_at",
        strict=True,
    )
    in_bar = pl.col("finished_at").is_null()
    rows = rows.with_columns(
        loaded_measured_mm=pl.coalesce(
            pl.when(in_bar | (pl.col("std_at") < until)).then("standard_mm"),
            pl.when(in_bar | (pl.col("rem_at") < until)).then("risen_mm"),
        )
    ).drop("std_at", "rem_at", "standard_mm", "risen_mm")
    return _left_over(rows, remaining)


def _left_over(rows: pl.LazyFrame, remaining: pl.LazyFrame) -> pl.LazyFrame:
    """The last REMAINING before the next bar's length rises: told from this bar's load to the next bar's."""
    fallen = remaining.filter(~pl.col("rise")).select(BY, "rem_at", left_mm="remaining_mm")
    ends = rows.with_columns(
        next_loaded_at=pl.col("loaded_at").shift(-1).over(BY), last_part_seen=pl.col("finished_at")
    )
    found = last_before(ends.filter(pl.col("finished_at").is_not_null()), fallen, at="next_loaded_at", right="rem_at")
    open_bars = ends.filter(pl.col("finished_at").is_null()).with_columns(
        rem_at=pl.lit(None, pl.Datetime("us", "UTC")), left_mm=pl.lit(None, pl.Float64)
    )
    within = pl.col("rem_at") >= pl.col("loaded_at")
    return (
        pl.concat([found, open_bars], how="diagonal")
        .with_columns(left_mm=pl.when(within).then("left_mm"))
        .drop("next_loaded_at", "last_part_seen", "rem_at")
    )


def _account(rows: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    done = pl.col("finished_at").is_not_null() & ~pl.col("end_unknown")
    pitch = pl.col("part_mm") + pl.col("waste_mm")
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
        .when(both & (pl.col("unaccounted_mm").abs() >= pitch / 2))
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

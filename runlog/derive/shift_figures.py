"""Seconds and counts of every machine, shift and job, and what each shift was planned to make.

cut        pieces of time cut again at the ends of planned busy time and of each reload's planned part
figures    sums over those pieces and counts of what began in them      (SHIFT_FIGURES)
losses     stopped seconds by cause                                     (SHIFT_LOSSES)
plans      planned parts and the limit that binds                       (SHIFT_PLANS)
"""

from typing import Final

import polars as pl

from runlog.derive.context import Context
from runlog.derive.earlier import QUALITY
from runlog.derive.frames import (
    BY,
    covering,
    duration,
    edges,
    first_after,
    held,
    inside,
    last_before,
    merged,
    of_us,
    seconds,
    tiles,
)
from runlog.derive.runs import Stock, supply
from runlog.derive.spindles import Turning, with_turning
from runlog.plan import endurance_s, with_planned_parts
from runlog.plan.given import by_shift, with_given
from runlog.schema import (
    BROUGHT_OUTCOMES,
    FAULT_OUTCOMES,
    NO_JOB,
    NO_ORDER_GROUPS,
    NOT_FAILURE_GROUPS,
    SHIFT_FIGURES,
    SHIFT_LOSSES,
    SHIFT_PLANS,
    UNRATED_OUTCOMES,
)

SHIFT: Final = (BY, "shift_date", "shift")
KEY: Final = (*SHIFT, "job")
SHIFT_COLUMNS: Final = ("shift_date", "shift", "attended", "shift_start", "shift_end")


def cut_to_shifts(
    cut: pl.LazyFrame, stopped: pl.LazyFrame, reloaded: pl.LazyFrame, lives: pl.LazyFrame, ctx: Context
) -> pl.LazyFrame:
    """Pieces of time within shifts: kind, job, stop, whether planned.

    Planned time before a machine's first event or past its horizon is `no signal`, up to the latest
    horizon of all.

    Returns
    -------
    LazyFrame
        machine, start, end, us (its length in whole microseconds, so that sums are exact in any order), kind, job,
        stop_no, minor, cause, cause_group, planned (busy time), in_plan (within the planned part of a reload), and
        the shift's columns; time outside any shift goes with the last one.
    """
    spans = lives.select(pl.col("horizon").max(), first=pl.col("first").min())
    machines = pl.LazyFrame({BY: ctx.machines}, schema={BY: ctx.key})
    begin = ctx.shifts.select(shifts_from=pl.col("shift_start").min())
    wide = (
        machines.join(spans, how="cross")
        .join(begin, how="cross")
        .select(BY, "horizon", first=pl.min_horizontal("first", "shifts_from"))
    )
    in_plan = held(_planned_part(reloaded))
    shifts = machines.join(ctx.shifts, how="cross")
    bounds = [edges(cut), edges(ctx.planned), edges(in_plan), edges(shifts, "shift_start", "shift_end")]
    pieces = held(tiles(*bounds, life=wide))
    known = covering(pieces, cut, "kind", "job", "stop_no")
    known = inside(inside(known, ctx.planned, "planned"), in_plan, "in_plan")
    known = last_before(known, shifts.with_columns(shift_from="shift_start"), at="start", right="shift_from")
    causes = stopped.select("stop_no", "minor", "cause", "cause_group")
    return (
        known.join(causes, on="stop_no", how="left")
        .sort(BY, "start")
        .filter(pl.col("shift").is_not_null())
        .with_columns(
            pl.col("kind").fill_null("no signal"),
            pl.col("job").backward_fill().forward_fill().over(BY).fill_null(NO_JOB),
            us=(pl.col("end") - pl.col("start")).dt.total_microseconds(),
        )
    )


def _planned_part(reloaded: pl.LazyFrame) -> pl.LazyFrame:
    planned_end = pl.col("start") + duration(pl.col("planned_s"))
    return reloaded.select(BY, "start", end=pl.min_horizontal("end", planned_end)).filter(
        pl.col("end") > pl.col("start")
    )


def shift_figures(
    pieces: pl.LazyFrame,
    parts: pl.LazyFrame,
    reloaded: pl.LazyFrame,
    stopped: pl.LazyFrame,
    turns: dict[str, Turning],
    ctx: Context,
) -> pl.LazyFrame:
    """Figures per machine, shift and job (SHIFT_FIGURES).

    Parameters
    ----------
    pieces : LazyFrame
        From `cut_to_shifts`.
    parts, reloaded, stopped : LazyFrame
        From `placed` (with good and setting), `reloads`, `stops`.
    turns : dict of str to Turning
        From `spindles.turning`.
    ctx : Context
    """
    planned = merged(pieces.filter("planned").select(*KEY, "start", "end"), "shift_date", "shift", "job")
    time = with_turning(_seconds(pieces), planned, turns, KEY)
    rows = time
    for counted in (_part_counts(parts, ctx), _reload_counts(reloaded, ctx), _stop_counts(stopped, pieces, ctx)):
        rows = rows.join(counted, on=list(KEY), how="full", coalesce=True)
    known = ctx.shifts.rename({"attended": "_attended"}).select(
        "shift_date", "shift", "_attended", "shift_start", "shift_end"
    )
    standard = ctx.plans.select(BY, "job", pri_s="standard_time_s")
    return SHIFT_FIGURES.conform(
        rows.join(known, on=["shift_date", "shift"], how="left")
        .join(_measuring_quality(parts, ctx), on=BY, how="left")
        .join(standard, on=[BY, "job"], how="left")
        .with_columns(pl.col(name).fill_null(0) for name in _ZERO)
        .filter(pl.any_horizontal(pl.col(_ZERO) != 0))
        .with_columns(
            attended="_attended",
            reloads_timed_planned_s=pl.when(pl.col("reloads_timed") == 0)
            .then(0.0)
            .otherwise("reloads_timed_planned_s"),
            apt_s=pl.col("producing_s") + pl.col("reload_planned_s"),
            pri_basis=pl.when(pl.col("pri_s").is_not_null()).then(pl.lit("job")),
            good_parts=pl.when("quality").then(pl.col("good_parts").fill_null(0)),
        )
        .sort(BY, "shift_start", "job")
    )


_ZERO: Final = sorted(
    {
        "pbt_s", "producing_s", "reload_planned_s", "reload_overrun_s", "setting_s", "stopped_s", "minor_stops_s",
        "no_signal_s", "adet_s", "parts", "parts_unseen", "setting_parts", "reloads", "reload_faults",
        "reloads_unrated", "reloads_timed", "reloads_timed_s", "stops", "minor_stops", "failures", "failures_s",
        "off_plan_parts", "off_plan_s",
    }
)  # fmt: skip


def _seconds(pieces: pl.LazyFrame) -> pl.LazyFrame:
    planned = pl.col("planned")
    kind = pl.col("kind")

    def total(when: pl.Expr) -> pl.Expr:
        return of_us(pl.col("us").filter(planned & when).sum())

    stop = kind == "stopped"
    overrun = (kind == "reloading") & ~pl.col("in_plan")
    delay = overrun | (stop & ~pl.col("cause_group").is_in(NO_ORDER_GROUPS))
    return (
        pieces.group_by(*KEY)
        .agg(
            pbt_s=of_us(pl.col("us").filter(planned).sum()),
            producing_s=total(kind == "producing"),
            reload_planned_s=total((kind == "reloading") & pl.col("in_plan")),
            reload_overrun_s=total(overrun),
            setting_s=total(kind == "setting"),
            stopped_s=total(stop & ~pl.col("minor")),
            minor_stops_s=total(stop & pl.col("minor")),
            no_signal_s=total(kind == "no signal"),
            adet_s=total(delay & (pl.col("job") != NO_JOB)),
            off_plan_s=of_us(pl.col("us").filter(~planned & (kind == "producing")).sum()),
        )
        .filter((pl.col("pbt_s") > 0) | (pl.col("off_plan_s") > 0))
    )


def _placed(rows: pl.LazyFrame, ctx: Context, at: str) -> pl.LazyFrame:
    """Add the shift an instant belongs to and whether it lies in planned busy time."""
    machines = pl.LazyFrame({BY: ctx.machines}, schema={BY: ctx.key})
    shifts = machines.join(ctx.shifts, how="cross").select(BY, "shift_date", "shift", shift_from="shift_start")
    return last_before(inside(rows, ctx.planned, "planned", at=at), shifts, at=at, right="shift_from").filter(
        pl.col("shift").is_not_null()
    )


def _part_counts(parts: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    rated = pl.col("planned") & ~pl.col("setting")
    return (
        _placed(parts, ctx, "at")
        .group_by(*KEY)
        .agg(
            parts=rated.sum(),
            good_parts=(rated & pl.col("good").fill_null(False)).sum(),
            parts_unseen=(rated & pl.col("made_unseen")).sum(),
            setting_parts=(pl.col("planned") & pl.col("setting")).sum(),
            off_plan_parts=(~pl.col("planned") & ~pl.col("setting")).sum(),
        )
    )


def _measuring_quality(parts: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Machines whose parts are told good or bad: machine, quality."""
    told = parts.filter(pl.col("good").is_not_null()).select(BY)
    return pl.concat([told, ctx.earlier.ever(QUALITY)]).unique().with_columns(quality=pl.lit(True))


def _reload_counts(reloaded: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    rated = pl.col("planned") & ~pl.col("hand_load") & pl.col("outcome").is_not_null()
    unrated = pl.col("outcome").is_in(UNRATED_OUTCOMES)
    timed = rated & pl.col("outcome").is_in(BROUGHT_OUTCOMES)
    us = (pl.col("end") - pl.col("start")).dt.total_microseconds()
    planned_s = pl.col("planned_s").filter(timed)
    return (
        _placed(reloaded, ctx, "start")
        .group_by(*KEY)
        .agg(
            reloads=(rated & ~unrated).sum(),
            reload_faults=(rated & pl.col("outcome").is_in(FAULT_OUTCOMES)).sum(),
            reloads_unrated=(rated & unrated).sum(),
            reloads_timed=timed.sum(),
            reloads_timed_s=of_us(us.filter(timed).sum()),
            reloads_timed_planned_s=pl.when(planned_s.is_not_null().all()).then(planned_s.sum()),
        )
    )


def _stop_counts(stopped: pl.LazyFrame, pieces: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    standing = pieces.filter(pl.col("kind") == "stopped").group_by("stop_no").agg(stood_us=pl.col("us").sum())
    here = pl.col("planned")
    failed = here & ~pl.col("minor") & ~pl.col("cause_group").is_in(NOT_FAILURE_GROUPS)
    return (
        _placed(stopped.join(standing, on="stop_no", how="left"), ctx, "start")
        .group_by(*KEY)
        .agg(
            stops=(here & ~pl.col("minor")).sum(),
            minor_stops=(here & pl.col("minor")).sum(),
            failures=failed.sum(),
            failures_s=of_us(pl.col("stood_us").filter(failed).sum()),
        )
    )


def shift_losses(pieces: pl.LazyFrame, stopped: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Stopped seconds by cause, minor stops in lines of their own (SHIFT_LOSSES)."""
    loss = pl.when("minor").then(pl.lit("minor stops")).otherwise(pl.lit("stops"))
    key = (*KEY, "loss", "cause")
    time = (
        pieces.filter(pl.col("planned") & (pl.col("kind") == "stopped"))
        .with_columns(loss=loss)
        .group_by(*key)
        .agg(seconds=of_us(pl.col("us").sum()))
    )
    begun = _placed(stopped, ctx, "start").filter("planned").with_columns(loss=loss).group_by(*key).agg(count=pl.len())
    return SHIFT_LOSSES.conform(
        time.join(begun, on=list(key), how="full", coalesce=True)
        .with_columns(pl.col("seconds", "count").fill_null(0))
        .sort(BY, "shift_date", "shift", "job", "loss", "cause")
    )


# --- plans ---------------------------------------------------------------------------------------


def shift_plans(cut: pl.LazyFrame, stock: Stock, parts: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Planned parts of every machine and shift, where they come from, and the limit that binds (SHIFT_PLANS).

    What the order system gives goes before what is computed, and its job before the one that runs. Bars limit
    unattended windows only, once a window: its shifts share the magazine along the planned line.
    """
    busy = (
        ctx.planned.group_by(*SHIFT, "attended", "shift_start", "shift_end")
        .agg(pbt_s=seconds((pl.col("end") - pl.col("start")).sum()))
        .sort(BY, "shift_start")
    )
    given = by_shift(ctx.given, ctx.plans.select(BY, "job", "standard_time_s"))
    windows = ctx.unattended.sort("window_start")
    in_window = (
        busy.sort("shift_start")
        .join_asof(windows, left_on="shift_start", right_on="window_start", strategy="backward", coalesce=False)
        .with_columns(
            asked_at=pl.when(~pl.col("attended") & (pl.col("shift_start") < pl.col("window_end")))
            .then("window_start")
            .otherwise("shift_start")
        )
        .join(given, on=list(SHIFT), how="left")
        .sort(BY, "shift_start")
        .with_columns(
            busy_s=pl.col("pbt_s").cum_sum().over(BY, "asked_at"),
            window_job=pl.col("first_job").first().over(BY, "asked_at"),
        )
    )
    jobs = cut.select(BY, "job", job_from="start")
    running = last_before(in_window, jobs, at="asked_at", right="job_from").drop("job_from")
    coming = first_after(running, jobs.rename({"job": "next_job"}), at="asked_at", right="job_from").drop("job_from")
    planned = coming.with_columns(job=pl.coalesce("window_job", "job", "next_job", pl.lit(NO_JOB))).join(
        ctx.plans.select(BY, "job", "standard_time_s", "parts_per_bar", "order_quantity", "cycle_s", "planned_s"),
        on=[BY, "job"],
        how="left",
    )
    supplied = supply(planned, stock, parts, ctx, at="asked_at").join(
        ctx.limits.select(BY, "bars_held"), on=BY, how="left"
    )
    return _shared(supplied)


def _shared(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Planned parts of the window so far, less those of its shifts before."""
    so_far = with_planned_parts(rows, bars_bind=~pl.col("attended"))
    before = pl.col("planned_parts").shift(1).over(BY, "asked_at").fill_null(0.0)
    lasts_s = endurance_s(
        pl.col("parts_left").fill_null(0),
        pl.col("bars"),
        pl.col("parts_per_bar"),
        pl.col("cycle_s"),
        pl.col("planned_s").fill_null(0.0),
    )
    computed = so_far.sort(BY, "shift_start").with_columns(
        run_out_at=pl.col("asked_at") + duration(lasts_s),
        planned_parts=pl.when(pl.col("planned_parts").is_not_null()).then(
            pl.max_horizontal(pl.col("planned_parts") - before, 0.0)
        ),
    )
    return SHIFT_PLANS.conform(with_given(computed).sort(BY, "shift_start"))

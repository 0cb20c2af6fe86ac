"""The truth of plans: what a machine was to make in a shift or an unattended run, and what bound it."""

from collections.abc import Sequence
from dataclasses import dataclass

from runlog.simulator import hours
from runlog.simulator.hours import SECOND, Shift
from runlog.simulator.lathe import parts_per_bar
from runlog.simulator.shop import JOBS, Job
from runlog.simulator.truth import Row, Run, Truth


def planned_reload_s(truth: Truth, job: Job) -> float:
    """The job's planned reload, else the feeder's. [s]"""
    return job.planned_reload_s or truth.kind.planned_reload_s


def pri_s(truth: Truth, job: Job) -> float:
    """Standard time per part: the cycle and its share of a planned reload. [s]"""
    return job.cycle_s + planned_reload_s(truth, job) / parts_per_bar(job, truth.kind, job.bar_mm)


@dataclass(frozen=True)
class Stock:
    """What was there to work on at an instant; None where not known or not limited."""

    bars: int
    noted: bool
    left: int | None
    order: int | None


def stock_at(truth: Truth, at: float, job: Job) -> Stock:
    """Bars, parts left on the bar in the spindle, parts the order still wants."""
    n = parts_per_bar(job, truth.kind, job.bar_mm)
    notes = [note for note in truth.notes["BARS_LOADED"] if note[0] <= at]
    bars = truth.kind.bars_held
    if notes:
        bars = max(0, int(notes[-1][1]) - truth.loaded_since(notes[-1][0], at))
    order = None
    if job.order_quantity is not None:
        made = sum(part.job == job.name and not part.setting for part in truth.made_between(0, at))
        order = max(0, job.order_quantity - made)
    return Stock(bars, bool(notes), _left_at(truth, at, n), order)


def _left_at(truth: Truth, at: float, n: int) -> int | None:
    """Parts left on the bar in the spindle: none while a bar is awaited, unknown before the first came."""
    come = [bar for bar in truth.diary.bars if bar.loaded_at <= at]
    if not come:
        return None
    if come[-1].finished_at is not None and come[-1].finished_at <= at:
        return 0
    return max(0, n - len(truth.made_between(come[-1].loaded_at, at)))


def planned(truth: Truth, job: Job, stock: Stock, busy_s: float, *, unattended: bool) -> tuple[float, str]:
    """Planned parts, and which limit binds."""
    limits = {"time": busy_s / pri_s(truth, job)}
    if unattended:
        limits["bars"] = float(stock.bars * parts_per_bar(job, truth.kind, job.bar_mm) + (stock.left or 0))
    if stock.order is not None:
        limits["order"] = float(stock.order)
    binding = min(limits, key=lambda name: limits[name])
    return limits[binding], binding


# --- unattended runs -------------------------------------------------------------------------------


def run_rows(truth: Truth) -> list[Row]:
    """Rows of `unattended_runs`."""
    return [_run_row(truth, run) for run in truth.runs]


def _run_row(truth: Truth, run: Run) -> Row:
    job = JOBS[truth.job_at(run.start)]
    closed = [stretch for shift in truth.shifts for stretch in shift.closed]
    busy_s = sum(b - a for a, b in hours.without([(run.start, run.window[1])], closed)) / SECOND
    parts, limit = planned(truth, job, stock_at(truth, run.start, job), busy_s, unattended=True)
    ended = [reload for reload in truth.diary.reloads if run.start < (reload.end or 0) <= run.end]
    return {
        "machine": truth.diary.machine,
        "window_start": run.window[0],
        "start": run.start,
        "planned_end": run.window[1],
        "end": run.end,
        "ended_by": run.ended_by,
        "cause": run.stop.cause if run.stop else None,
        "parts": sum(not part.setting for part in truth.made_between(run.start, run.end)),
        "reloads": len(ended),
        "bars": sum(reload.outcome in ("clean", "slow", "retried") for reload in ended),
        "planned_parts": parts,
        "limit": limit,
        "job": job.name,
    }


# --- shifts ----------------------------------------------------------------------------------------


def plan_rows(truth: Truth, shifts: Sequence[Shift]) -> list[Row]:
    """Rows of `shift_plans`."""
    return [_plan_row(truth, shift) for shift in shifts]


def _plan_row(truth: Truth, shift: Shift) -> Row:
    job = JOBS[truth.job_at(shift.start)]
    stock = stock_at(truth, shift.start, job)
    n = parts_per_bar(job, truth.kind, job.bar_mm)
    holes = [*shift.closed, *(shift.breaks if truth.kind.stops_for_breaks else ())]
    busy_s = sum(b - a for a, b in hours.without([(shift.start, shift.end)], holes)) / SECOND
    parts, limit = planned(truth, job, stock, busy_s, unattended=not shift.attended)
    endurance_s = (stock.left or 0) * job.cycle_s + stock.bars * (n * job.cycle_s + planned_reload_s(truth, job))
    return {
        "machine": truth.diary.machine,
        "shift_date": shift.day,
        "shift": shift.name,
        "attended": shift.attended,
        "shift_start": shift.start,
        "shift_end": shift.end,
        "job": job.name,
        "pbt_s": busy_s,
        "standard_time_s": pri_s(truth, job),
        "parts_per_bar": n,
        "bars": stock.bars,
        "bars_basis": "noted" if stock.noted else "magazine",
        "bars_held": truth.kind.bars_held,
        "parts_left": stock.left,
        "order_left": stock.order,
        "planned_parts": parts,
        "computed_parts": parts,
        "basis": "computed",
        "limit": limit,
        "run_out_at": shift.start + endurance_s * SECOND if limit == "bars" else None,
    }

"""How far a run of a job gets from a start: planned parts, what binds, and when the bars run out by the clock.

Instants are UTC throughout, so a night in which the clocks change is as long as it is; the site's zone comes in
only where a clock time is read or shown.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import polars as pl

from runlog import calendar
from runlog.plan.job import plan_job
from runlog.plan.limits import endurance_s, with_planned_parts
from runlog.schema import COUNT, FLAG, INSTANT, NUMBER, TEXT
from runlog.site import Job, Site

_LOOK_AHEAD: Final = timedelta(days=8)

RUN_ABOUT: Final = {
    "machine": (TEXT, "name in the site file"),
    "job": (TEXT, "name in the site file"),
    "pitch_mm": (NUMBER, "stock used per part [mm]"),
    "parts_per_bar": (COUNT, "parts from one bar"),
    "fitting_parts_per_bar": (COUNT, "parts that would fit; more than the above: the countdown is preset to less"),
    "given_away_mm": (NUMBER, "stock given away by the preset, per bar [mm]"),
    "remnant_mm": (NUMBER, "planned remnant of one bar [mm]"),
    "too_long_mm": (NUMBER, "by how much the bar is longer than the feeder takes; null where it fits [mm]"),
    "cycle_s": (NUMBER, "standard cycle per part [s]"),
    "reload_s": (NUMBER, "planned reload time [s]"),
    "standard_time_s": (NUMBER, "planned run time per item, ISO 22400-2 PRI [s]; null where a bar gives no part"),
    "bar_lasts_s": (NUMBER, "one bar, its reload included [s]"),
    "bars": (COUNT, "bars in the magazine at the start, the one in the spindle left out; null without a feeder"),
    "bars_basis": (TEXT, "given, or magazine: taken as full; null without a feeder"),
    "parts_left": (COUNT, "parts left on the bar in the spindle at the start"),
    "order_left": (COUNT, "parts the order still wants; null without an order"),
    "start": (INSTANT, "start of the run"),
    "end": (INSTANT, "end of the shifts it runs in; null where none is planned then"),
    "attended": (FLAG, "somebody is there: the magazine is refilled, bars do not limit; null where none is planned"),
    "busy_s": (NUMBER, "planned busy time from the start to the end, ISO 22400-2 PBT [s]"),
    "by_time": (NUMBER, "parts that the planned busy time holds"),
    "by_bars": (NUMBER, "parts that the bars hold; null where they do not limit"),
    "by_order": (NUMBER, "parts that the order still wants; null without an order"),
    "planned_parts": (NUMBER, "the least of the three, not floored; null where a bar gives no part"),
    "limit": (TEXT, "time, bars or order: which of the three it is"),
    "endurance_s": (NUMBER, "how long the stock lasts [s]; null without a feeder"),
    "run_out_at": (INSTANT, "start and endurance: when the bars run out; null without a feeder"),
}
"""Columns of `run_plans`: type and meaning."""

RUN_PLANS: Final = pl.Schema({name: dtype for name, (dtype, _) in RUN_ABOUT.items()})


@dataclass(frozen=True)
class Stretch:
    """Planned time that a run falls into: adjoining unattended shifts, or one attended shift.

    Attributes
    ----------
    start, end : datetime
        UTC.
    attended : bool
        Somebody is there.
    """

    start: datetime
    end: datetime
    attended: bool


def stretch_at(site: Site, at: datetime) -> Stretch | None:
    """The shifts an instant falls into; None between shifts."""
    moment = timedelta(microseconds=1)
    for start, end in calendar.unattended(site, at, at + moment).iter_rows():
        return Stretch(start, end, attended=False)
    shifts = calendar.shifts(site, at, at + moment).select("shift_start", "shift_end", "attended")
    return next((Stretch(*row) for row in shifts.iter_rows()), None)


def next_start(site: Site, now: datetime) -> datetime:
    """When the next unattended window begins; without one, the next shift; without any, now."""
    windows = calendar.unattended(site, now, now + _LOOK_AHEAD)["window_start"].to_list()
    shifts = calendar.shifts(site, now, now + _LOOK_AHEAD)["shift_start"].to_list()
    return next((start for start in [*windows, *shifts] if start >= now), now)


def run_plans(
    site: Site,
    job: Job,
    machines: Iterable[str],
    start: datetime,
    *,
    bars: int | None = None,
    parts_left: int = 0,
    order_left: int | None = None,
) -> pl.DataFrame:
    """What each machine would make of a job from a start on.

    Parameters
    ----------
    site : Site
    job : Job
    machines : iterable of str
        Names.
    start : datetime
        With zone.
    bars : int, optional
        Bars in the magazine, the one in the spindle left out; as many as it holds if not given.
    parts_left : int
        Parts left on the bar in the spindle.
    order_left : int, optional
        Parts the order still wants; the job's order quantity if not given.

    Returns
    -------
    DataFrame
        RUN_PLANS, a row a machine.
    """
    stretch = stretch_at(site, start)
    wanted = job.order_quantity if order_left is None else order_left
    rows = [_row(site, job, name, start, stretch, bars) for name in machines]
    known = {name: dtype for name, dtype in RUN_PLANS.items() if not rows or name in rows[0]}
    told = pl.LazyFrame(rows, schema=known).with_columns(
        parts_left=pl.lit(parts_left, COUNT),
        order_left=pl.lit(wanted, COUNT),
        bar_lasts_s=endurance_s(pl.lit(0), pl.lit(1), *_EACH),
    )
    lasts_s = endurance_s(pl.col("parts_left"), pl.col("bars"), *_EACH)
    refilled = pl.col("attended").fill_null(False)
    return (
        with_planned_parts(told.with_columns(endurance_s=lasts_s), bars_bind=~refilled)
        .with_columns(run_out_at=pl.col("start") + pl.duration(microseconds=(pl.col("endurance_s") * 1e6).round()))
        .select(pl.col(name).cast(dtype) for name, dtype in RUN_PLANS.items())
        .collect()
    )


_EACH: Final = (pl.col("parts_per_bar"), pl.col("cycle_s"), pl.col("reload_s"))


def _row(
    site: Site, job: Job, machine: str, start: datetime, stretch: Stretch | None, bars: int | None
) -> dict[str, Any]:
    plan = plan_job(site, machine, job)
    feeder = site.machine(machine).feeder
    over_mm = job.bar_mm - feeder.longest_bar_mm if feeder else 0.0
    held = feeder.bars_held if feeder else None
    return {
        "machine": machine,
        "job": job.name,
        "pitch_mm": plan.pitch_mm,
        "parts_per_bar": plan.parts_per_bar,
        "fitting_parts_per_bar": plan.fitting_parts_per_bar,
        "given_away_mm": plan.given_away_mm,
        "remnant_mm": plan.remnant_mm,
        "too_long_mm": over_mm if over_mm > 0 else None,
        "cycle_s": plan.cycle_s,
        "reload_s": plan.reload_s,
        "standard_time_s": plan.standard_time_s if plan.parts_per_bar else None,
        "bars": held if bars is None else bars,
        "bars_basis": "given" if bars is not None else "magazine" if feeder else None,
        "start": start,
        "end": stretch.end if stretch else None,
        "attended": stretch.attended if stretch else None,
        "busy_s": busy_s(site, machine, start, stretch.end) if stretch else None,
    }


def busy_s(site: Site, machine: str, start: datetime, end: datetime) -> float:
    """Planned busy time of a machine in [start, end), ISO 22400-2 PBT. [s]"""
    pieces = calendar.planned(site, [machine], start, end).select(
        start=pl.col("start").clip(lower_bound=start), end=pl.col("end").clip(upper_bound=end)
    )
    whole = pieces.filter(pl.col("end") > pl.col("start")).select((pl.col("end") - pl.col("start")).sum()).item()
    return whole.total_seconds() if whole else 0.0

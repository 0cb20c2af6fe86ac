"""Planned figures for a job: how many parts a bar holds, what is left of it, how far a magazine reaches.

    plan_job(site, machine, job) -> JobPlan      per bar and per part
    endurance_s(parts_left, bars, ...)           how long the stock lasts
    with_planned_parts(rows)                     what a stretch of time holds, and which limit binds

Arithmetic of lengths is done in micrometres, whole numbers, so that an exact fit is not lost to binary
fractions (65 parts of 43 mm in 2795 mm are 65, not 64).
"""

import math
from dataclasses import dataclass
from typing import TypeVar

import polars as pl

from runlog.site import Job, Site

CROSS_SECTION_FACTOR = {"round": math.pi / 4, "hexagon": math.sqrt(3) / 2, "square": 1.0}
"""Section area over the square of the width across flats or diameter."""


@dataclass(frozen=True)
class JobPlan:
    """Planned figures of a job on a machine.

    Attributes
    ----------
    pitch_mm : float
        Stock used per part: part, parting and facing. [mm]
    parts_per_bar : int
        Parts from one bar; the smaller of what fits and what the countdown is preset to.
    fitting_parts_per_bar : int
        Parts that would fit; more than `parts_per_bar` is stock given away.
    remnant_mm : float
        Planned remnant of one bar. [mm]
    cycle_s : float
        Standard cycle time per part. [s]
    reload_s : float
        Planned reload time; 0 without a feeder. [s]
    standard_time_s : float
        Planned run time per item, PRI (ISO 22400-2): cycle plus the part's share of a reload. [s]
    mass_kg_per_mm : float
        Mass of the stock. [kg/mm]
    price_per_kg : float or None
        Price of the stock, None if the site file gives none.
    """

    pitch_mm: float
    parts_per_bar: int
    fitting_parts_per_bar: int
    remnant_mm: float
    cycle_s: float
    reload_s: float
    standard_time_s: float
    mass_kg_per_mm: float
    price_per_kg: float | None


Amount = TypeVar("Amount", float, pl.Expr)
"""A number, or a column of them: the formulas below hold for both."""


def endurance_s(parts_left: Amount, bars: Amount, parts_per_bar: Amount, cycle_s: Amount, reload_s: Amount) -> Amount:
    """How long the bar in the spindle and those in the magazine last. [s]

    Examples
    --------
    >>> endurance_s(0, 12, 24, 75.0, 40.0)
    22080.0
    """
    return parts_left * cycle_s + bars * (parts_per_bar * cycle_s + reload_s)


def with_planned_parts(rows: pl.LazyFrame, bars_bind: pl.Expr | None = None) -> pl.LazyFrame:
    """Add the parts planned in a stretch of planned busy time, and which limit binds.

    Parameters
    ----------
    rows : LazyFrame
        busy_s (planned busy time), standard_time_s (PRI), bars (waiting in the magazine, the one in the spindle left
        out), parts_per_bar, parts_left (on the bar in the spindle; null counts as none), order_left. Null bars or
        order_left: that does not limit. Null standard_time_s: there is no plan.
    bars_bind : Expr, optional
        On which rows bars limit at all (an attended shift is refilled); all, if not given.

    Returns
    -------
    LazyFrame
        The rows with planned_parts (not floored; null without a plan) and limit: time, bars or order.
    """
    binding = pl.lit(True) if bars_bind is None else bars_bind
    by_time = pl.col("busy_s") / pl.col("standard_time_s")
    in_stock = pl.col("bars") * pl.col("parts_per_bar") + pl.col("parts_left").fill_null(0)
    by_bars = pl.when(binding).then(in_stock.cast(pl.Float64))
    by_order = pl.col("order_left").cast(pl.Float64)
    planned = pl.when(by_time.is_not_null()).then(pl.min_horizontal(by_time, by_bars, by_order))
    limit = (
        pl.when(pl.col("planned_parts").is_null())
        .then(None)
        .when(pl.col("planned_parts") == by_time)
        .then(pl.lit("time"))
        .when(pl.col("planned_parts") == by_bars)
        .then(pl.lit("bars"))
        .otherwise(pl.lit("order"))
    )
    return rows.with_columns(planned_parts=planned).with_columns(limit=limit)


def plan_job(site: Site, machine: str, job: Job) -> JobPlan:
    """Planned figures of a job on a machine of the site; see `JobPlan`."""
    pitch = _um(job.part_mm) + _um(job.parting_mm) + _um(job.facing_mm)
    usable = _um(job.bar_mm) - _um(job.top_cut_mm)
    fitting = max((usable - _um(site.minimum_remnant_mm(machine, job))) // pitch, 0)
    parts = min(fitting, job.parts_per_bar or fitting)
    reload_s = site.planned_reload_s(machine, job) or 0.0
    cycle_s = job.cycle_s / job.parts_per_cycle
    return JobPlan(
        pitch_mm=pitch / 1000,
        parts_per_bar=parts,
        fitting_parts_per_bar=fitting,
        remnant_mm=(usable - parts * pitch) / 1000,
        cycle_s=cycle_s,
        reload_s=reload_s,
        standard_time_s=cycle_s + (reload_s / parts if parts else 0.0),
        mass_kg_per_mm=mass_kg_per_m(job.section, job.diameter_mm, job.density_kg_dm3) / 1000,
        price_per_kg=job.price_per_kg,
    )


def mass_kg_per_m(section: str, width_mm: float, density_kg_dm3: float) -> float:
    """Mass of bar stock per metre. [kg/m]

    Parameters
    ----------
    section : {"round", "hexagon", "square"}
        Shape.
    width_mm : float
        Diameter, or width across flats. [mm]
    density_kg_dm3 : float
        Density. [kg/dm3]

    References
    ----------
    EN 10060 (round bars) prints the same masses to three figures for 7.85 kg/dm3.

    Examples
    --------
    >>> round(mass_kg_per_m("round", 20, 7.85), 3)
    2.466
    """
    return CROSS_SECTION_FACTOR[section] * width_mm**2 * density_kg_dm3 / 1000


def _um(length_mm: float) -> int:
    return round(length_mm * 1000)

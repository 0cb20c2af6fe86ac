"""What is planned for one job on one machine, per bar and per part."""

from dataclasses import dataclass

from runlog.plan.lengths import left_of, mass_kg_per_m, parts_from, um
from runlog.plan.limits import standard_time_s
from runlog.site import Job, Site


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
    given_away_mm : float
        Part of the remnant that would be parts if the countdown were not preset to less. [mm]
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
    given_away_mm: float
    cycle_s: float
    reload_s: float
    standard_time_s: float
    mass_kg_per_mm: float
    price_per_kg: float | None


def plan_job(site: Site, machine: str, job: Job) -> JobPlan:
    """Planned figures of a job on a machine of the site; see `JobPlan`."""
    pitch, bar, top_cut = pitch_um(job), um(job.bar_mm), um(job.top_cut_mm)
    fitting = max(parts_from(bar, top_cut, um(site.minimum_remnant_mm(machine, job)), pitch), 0)
    parts = min(fitting, job.parts_per_bar or fitting)
    reload_s = site.planned_reload_s(machine, job) or 0.0
    cycle_s = cycle_per_part_s(job)
    return JobPlan(
        pitch_mm=pitch / 1000,
        parts_per_bar=parts,
        fitting_parts_per_bar=fitting,
        remnant_mm=left_of(bar, top_cut, parts, pitch) / 1000,
        given_away_mm=(fitting - parts) * pitch / 1000,
        cycle_s=cycle_s,
        reload_s=reload_s,
        # A bar that gives no part has nobody to share its reload with.
        standard_time_s=standard_time_s(cycle_s, reload_s, parts) if parts else cycle_s,
        mass_kg_per_mm=mass_kg_per_m(job.section, job.diameter_mm, job.density_kg_dm3) / 1000,
        price_per_kg=job.price_per_kg,
    )


def pitch_um(job: Job) -> int:
    """Stock used per part: part, parting and facing. [um]"""
    return um(job.part_mm) + um(job.parting_mm) + um(job.facing_mm)


def cycle_per_part_s(job: Job) -> float:
    """Standard cycle time per part, where a cycle makes several. [s]"""
    return job.cycle_s / job.parts_per_cycle

"""What the site file says, as frames that the derivations join: limits, programs, plans, shifts."""

from dataclasses import dataclass
from datetime import datetime

import polars as pl

from runlog import calendar
from runlog.derive.earlier import Earlier
from runlog.plan import plan_job
from runlog.schema import NO_JOB
from runlog.site import Site

LIMITS = pl.Schema(
    {
        "machine": pl.String(),
        "cycle_gap": pl.Duration("us"),
        "minor_stop": pl.Duration("us"),
        "look_back": pl.Duration("us"),
        "look_ahead": pl.Duration("us"),
        "visit_after": pl.Duration("us"),
        "hung_least_s": pl.Float64(),
        "hung_cycles": pl.Float64(),
        "reload_slow": pl.Float64(),
        "give_up": pl.Float64(),
        "give_up_least_s": pl.Float64(),
        "turning_above": pl.Float64(),
        "path": pl.String(),
        "part_counter": pl.String(),
        "automatic_door": pl.Boolean(),
        "bars_held": pl.Int64(),
    }
)
"""One row a machine: the limits and habits that hold for it."""

PROGRAMS = pl.Schema({"program": pl.String(), "job": pl.String()})

PLANS = pl.Schema(
    {
        "machine": pl.String(),
        "job": pl.String(),
        "cycle_s": pl.Float64(),
        "planned_s": pl.Float64(),
        "standard_time_s": pl.Float64(),
        "parts_per_bar": pl.Int64(),
        "planned_remnant_mm": pl.Float64(),
        "kg_per_mm": pl.Float64(),
        "price_per_kg": pl.Float64(),
        "pitch_mm": pl.Float64(),
        "top_cut_mm": pl.Float64(),
        "bar_mm": pl.Float64(),
        "material": pl.String(),
        "diameter_mm": pl.Float64(),
        "section": pl.String(),
        "feed_mode": pl.String(),
        "parts_per_cycle": pl.Int64(),
        "order_quantity": pl.Int64(),
        "part_mm": pl.Float64(),
    }
)
"""One row a machine and job, `no job` included (its lengths and cycle null)."""


def machine_key(machines: list[str]) -> pl.Enum:
    """The type of the `machine` column within derivation: a small whole number that sorts as the names do."""
    return pl.Enum(sorted(machines))


@dataclass(frozen=True)
class Context:
    """Everything of the site file that derivation needs, for the machines of one log.

    Attributes
    ----------
    site : Site
    machines : list of str
        Names, those of the site first.
    key : Enum
        Type of the machine column in every frame of derivation.
    limits : LazyFrame
        LIMITS.
    programs : LazyFrame
        PROGRAMS: which job a program belongs to.
    plans : LazyFrame
        PLANS.
    shifts : LazyFrame
        calendar.SHIFT_WINDOWS that touch the log, a day wider on both sides.
    planned : LazyFrame
        calendar.PLANNED_WINDOWS of the machines.
    unattended : LazyFrame
        calendar.UNATTENDED_WINDOWS.
    given : LazyFrame
        PLANS of the order system, those of these machines.
    earlier : Earlier
        What is known of the time before.
    """

    site: Site
    machines: list[str]
    key: pl.Enum
    limits: pl.LazyFrame
    programs: pl.LazyFrame
    plans: pl.LazyFrame
    shifts: pl.LazyFrame
    planned: pl.LazyFrame
    unattended: pl.LazyFrame
    given: pl.LazyFrame
    earlier: Earlier


def context(
    site: Site, machines: list[str], first: datetime, last: datetime, given: pl.LazyFrame, earlier: Earlier
) -> Context:
    """Gather the context for some machines, the stretch of time their log covers, and what is known besides."""
    key = machine_key(machines)
    keyed = pl.col("machine").cast(key)
    limits = pl.LazyFrame([(name, *limits_of(site, name)) for name in machines], schema=LIMITS, orient="row")
    plans = pl.LazyFrame([row for name in machines for row in _plans(site, name)], schema=PLANS, orient="row")
    return Context(
        site=site,
        machines=machines,
        key=key,
        limits=limits.with_columns(keyed),
        programs=pl.LazyFrame(
            [(program, job.name) for job in site.jobs for program in job.programs],
            schema=PROGRAMS,
            orient="row",
        ),
        plans=plans.with_columns(keyed),
        shifts=calendar.shifts(site, first, last).lazy(),
        planned=calendar.planned(site, machines, first, last).lazy().with_columns(keyed),
        unattended=calendar.unattended(site, first, last).lazy(),
        given=given.filter(pl.col("machine").is_in(machines)).with_columns(keyed),
        earlier=earlier.keyed(key),
    )


def limits_of(site: Site, name: str) -> tuple:
    """What holds for a machine, as in LIMITS, without its name."""
    limits, machine = site.limits(name), site.machine(name)
    us = [
        round(value * 1e6)
        for value in (
            limits.cycle_gap_s,
            limits.minor_stop_s,
            limits.look_back_s,
            limits.look_ahead_s,
            limits.visit_after_s,
        )
    ]
    return (
        *us,
        limits.hung_after_least_s,
        limits.hung_after_cycles,
        limits.reload_slow,
        limits.reload_give_up,
        limits.reload_give_up_least_s,
        limits.turning_above_rpm,
        machine.path,
        machine.part_counter,
        machine.automatic_door,
        machine.feeder.bars_held if machine.feeder else None,
    )


def _plans(site: Site, name: str) -> list[tuple]:
    without = (name, NO_JOB, None, site.planned_reload_s(name, None), *([None] * (len(PLANS) - 4)))
    return [without, *(_plan(site, name, job.name) for job in site.jobs)]


def _plan(site: Site, name: str, job_name: str) -> tuple:
    job = site.job(job_name)
    assert job is not None
    plan = plan_job(site, name, job)
    return (
        name,
        job.name,
        plan.cycle_s,
        site.planned_reload_s(name, job),
        plan.standard_time_s,
        plan.parts_per_bar,
        plan.remnant_mm,
        plan.mass_kg_per_mm,
        plan.price_per_kg,
        plan.pitch_mm,
        job.top_cut_mm,
        job.bar_mm,
        job.material,
        job.diameter_mm,
        job.section,
        job.feed_mode,
        job.parts_per_cycle,
        job.order_quantity,
        job.part_mm,
    )

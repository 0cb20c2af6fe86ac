"""What facts are made from besides events, and where a change of it can have changed them.

    basis(held_sites, plans)     all of it, as text that is kept beside the facts
    concerned(old, new, ...)     which machines' facts may differ now, and from when on

    what changed                    concerns
    time zone, shifts, runlog       everything
    a machine's settings            that machine, from its beginning
    a closure                       its machines, from where it begins
    a cause rule                    machines with an alarm that has another cause now, from the first such alarm on
    programs of a job               machines that ran one, from the first time on
    a plan of the order system      its machine, from its shift on
    a job's standard                all, from the shift from which it holds
    all else in the site file       nobody

A machine without events is made anew every time: all it has are shifts without signal.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from hashlib import sha256

import polars as pl
from pydantic import BaseModel, ValidationError

from runlog import calendar
from runlog.derive.alarms import cause_expr, group_expr
from runlog.derive.before import NEWS
from runlog.derive.context import limits_of
from runlog.derive.earlier import FIRST, HORIZON
from runlog.derive.frames import BY
from runlog.derive.onward import Held
from runlog.plan.given import SHIFT
from runlog.schema import INSTANT
from runlog.site import CauseRule, Site, standard_of
from runlog.version import VERSION


class Basis(BaseModel):
    """What facts were made from besides events.

    Said in full where a change concerns some of the facts, as a digest where equal or not is all that is asked.
    """

    everything: str
    machines: dict[str, str]
    other_machines: str
    closures: list[calendar.Closed]
    causes: list[CauseRule]
    programs: dict[str, str]
    longest_bar_of_jobs_mm: list[float | None]
    standards: list[tuple[datetime | None, dict[str, str]]]
    plans: int | None

    @property
    def text(self) -> str:
        """As it is kept; equal texts are equal bases."""
        return self.model_dump_json()


@dataclass(frozen=True)
class Concerned:
    """Where facts may differ now.

    Attributes
    ----------
    whole : frozenset of str
        Machines that are concerned from their beginning.
    counted : LazyFrame
        machine, at: from when on parts may be counted for another job, so that orders may be done at another time.
    alone : LazyFrame
        machine, at: from when on facts of a machine may differ that no other machine's depend on.
    everywhere : datetime or None
        From when on facts of all machines may.
    """

    whole: frozenset[str]
    counted: pl.LazyFrame
    alone: pl.LazyFrame
    everywhere: datetime | None


def basis(held_sites: Sequence[Held], plans: int | None) -> Basis:
    """What facts are made from by these site files.

    Parameters
    ----------
    held_sites : sequence of Held
        In the order of time; they differ in standards of jobs only.
    plans : int or None
        Version of the order system's plans.
    """
    site = held_sites[-1].site
    return Basis(
        everything=_digest(VERSION, site.site.time_zone, [shift.model_dump_json() for shift in site.shift]),
        machines={machine.name: _settings(site, machine.name) for machine in site.machines},
        other_machines=_settings(site, _unheard_of(site)),
        closures=calendar.closures(site),
        causes=site.cause,
        programs={program: job.name for job in site.jobs for program in job.programs},
        longest_bar_of_jobs_mm=[max((job.bar_mm for job in one.site.jobs), default=None) for one in held_sites],
        standards=[(one.since, {job.name: _digest(standard_of(job)) for job in one.site.jobs}) for one in held_sites],
        plans=plans,
    )


def read_basis(text: str) -> Basis | None:
    """A basis as it was kept; None where another version of runlog kept something else."""
    try:
        return Basis.model_validate_json(text)
    except ValidationError:
        return None


def concerned(
    old: Basis,
    new: Basis,
    site: Site,
    facts: Mapping[str, pl.LazyFrame],
    plans: tuple[pl.LazyFrame | None, pl.LazyFrame],
) -> Concerned | None:
    """Which facts may differ now.

    Parameters
    ----------
    old, new : Basis
        What the facts were made from, and what they are to be made from.
    site : Site
        The site file of `new`.
    facts : mapping of str to LazyFrame
        DERIVED_TABLES as they stand.
    plans : (LazyFrame or None, LazyFrame)
        PLANS of the order system as they were, None if nobody knows any more, and as they are.

    Returns
    -------
    Concerned or None
        None: all of them.
    """
    only_newest, everywhere = _standards_changed(old, new)
    if old.everything != new.everything or not only_newest or plans[0] is None:
        return None
    marks = facts["marks"].collect()
    machines = marks.filter(pl.col("mark") == HORIZON)[BY].to_list()
    others = [
        _by_causes(old, site, facts),
        _by_closures(old, new, machines),
        _by_plans(plans[0], plans[1], _jobs(old) ^ _jobs(new)),
    ]
    whole = {name for name in machines if _settings_in(old, name) != _settings_in(new, name)}
    if any(was != now for was, now in zip(old.longest_bar_of_jobs_mm, new.longest_bar_of_jobs_mm, strict=False)):
        whole |= _with_lengths(facts)
    begun = marks.filter(pl.col("mark") == FIRST).select(BY, begun="at")
    ran = _by_programs(old, new, facts).collect()
    # Shifts before a machine's first event are its first job's, too.
    whole |= {*ran.join(begun, on=BY).filter(pl.col("at") <= pl.col("begun"))[BY]}
    within = pl.max_horizontal("at", pl.lit(begun["begun"].min(), INSTANT))
    return Concerned(
        whole=frozenset(whole),
        counted=ran.lazy().with_columns(at=within),
        alone=pl.concat(others).with_columns(at=within),
        everywhere=everywhere,
    )


# --- parts of a basis ----------------------------------------------------------------------------


def _digest(*values: object) -> str:
    return sha256(repr(values).encode()).hexdigest()[:16]


def _settings(site: Site, name: str) -> str:
    """What the site file says of a machine and derivation reads, but its name."""
    machine = site.machine(name)
    feeder = machine.feeder and (machine.feeder.planned_reload_s, machine.feeder.minimum_remnant_mm)
    beat = machine.heartbeat and machine.heartbeat.model_dump_json()
    return _digest(limits_of(site, name), feeder, beat, machine.stops_for_breaks)


def _unheard_of(site: Site) -> str:
    """A name longer than that of any machine of the site."""
    return "_".join(["other", *(machine.name for machine in site.machines)])


def _settings_in(held: Basis, name: str) -> str:
    return held.machines.get(name, held.other_machines)


def _jobs(held: Basis) -> set[str]:
    return {job for _, standards in held.standards for job in standards}


def _standards_changed(old: Basis, new: Basis) -> tuple[bool, datetime | None]:
    """Whether standards differ in the newest at most, and if so, from when that holds.

    Of jobs that only one knows no part was made but by a change of programs.
    """
    both = _jobs(old) & _jobs(new)
    was, now = (
        [
            (since, {job: standards[job] for job in sorted(both & standards.keys())})
            for since, standards in held.standards
        ]
        for held in (old, new)
    )
    return now == was or now[:-1] == was, None if now == was else now[-1][0]


# --- who is concerned ----------------------------------------------------------------------------


def _by_causes(old: Basis, site: Site, facts: Mapping[str, pl.LazyFrame]) -> pl.LazyFrame:
    """Alarms, and stops whose state names their cause, of which cause or group is another: machine, at."""
    if old.causes == site.cause:
        return pl.LazyFrame(schema=NEWS)
    then = site.model_copy(update={"cause": old.causes})
    alarms = facts["alarms"].with_columns(cause=cause_expr(then)).with_columns(was="cause", was_group=group_expr(then))
    alarms = alarms.with_columns(cause=cause_expr(site)).with_columns(group=group_expr(site))
    renamed = (pl.col("cause") != pl.col("was")) | (pl.col("group") != pl.col("was_group"))
    regrouped = facts["stops"].with_columns(was_group=group_expr(then), group=group_expr(site))
    return _first_of(
        alarms.filter(renamed).select(BY, at=pl.min_horizontal("start", "stop")),
        regrouped.filter(pl.col("group") != pl.col("was_group")).select(BY, at="start"),
    )


def _by_closures(old: Basis, new: Basis, machines: list[str]) -> pl.LazyFrame:
    changed = [one for one in old.closures if one not in new.closures]
    changed += [one for one in new.closures if one not in old.closures]
    rows = [(name, start) for start, _, names in changed for name in names or machines]
    return pl.LazyFrame(rows, schema=NEWS, orient="row")


def _by_plans(old: pl.LazyFrame, new: pl.LazyFrame, jobs: set[str]) -> pl.LazyFrame:
    """Shifts of which a plan is another, or names a job that only one of the site files knows: machine, at."""
    told = [*SHIFT, "job", "quantity", "file", "line"]
    was, now = old.select(told), new.select(told)
    changed = [one.join(other, on=told, how="anti", nulls_equal=True) for one, other in ((was, now), (now, was))]
    rows = pl.concat([*changed, now.filter(pl.col("job").is_in([*jobs]))])
    # No zone is further from UTC than that.
    begins = pl.col("shift_date").cast(INSTANT) - timedelta(days=1)
    return _first_of(rows.select(BY, at=begins))


def _by_programs(old: Basis, new: Basis, facts: Mapping[str, pl.LazyFrame]) -> pl.LazyFrame:
    """When a machine first ran, or was first set for, a program that belongs to another job now: machine, at."""
    both = old.programs.keys() | new.programs.keys()
    changed = [program for program in both if old.programs.get(program) != new.programs.get(program)]
    if not changed:
        return pl.LazyFrame(schema=NEWS)
    ran = pl.col("program").is_in(changed)
    starts = {"spans": "start", "parts": "at", "reloads": "start"}
    gone = set(old.programs.values()) - set(new.programs.values())
    return _first_of(
        *(facts[name].filter(ran).select(BY, at=start) for name, start in starts.items()),
        facts["changeovers"].filter(pl.col("to_job").is_in([*gone])).select(BY, at="start"),
    )


def _with_lengths(facts: Mapping[str, pl.LazyFrame]) -> set[str]:
    """Machines whose feeder tells lengths: the longest bar says how far one must rise for a new bar."""
    told = facts["carried"].filter(pl.col("as_of").is_null() & (pl.col("item") == "LENGTH"))
    return {*told.select(pl.col(BY).unique()).collect()[BY]}


def _first_of(*rows: pl.LazyFrame) -> pl.LazyFrame:
    return pl.concat(rows).group_by(BY).agg(pl.col("at").min())

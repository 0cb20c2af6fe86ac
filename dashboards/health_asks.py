"""What the page of reload health asks of the figures; each question once for what the store holds."""

from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from typing import Final

import data
import polars as pl

from runlog.figures import fault_health as by_cause
from runlog.figures import reload_health as by_reloads
from runlog.figures.alarm_load import AlarmLoad, alarm_load
from runlog.figures.fault_health import FaultHealth
from runlog.figures.findings import Finding, Lead, findings, lead
from runlog.figures.fixes import Chances, chances_of, fix_checks
from runlog.figures.group_members import reloads_of, stops_of
from runlog.figures.judging import BY_HOURS, BY_RELOADS, Measure
from runlog.figures.reload_durations import ReloadDurations, reload_durations
from runlog.figures.reload_health import ReloadHealth
from runlog.figures.reload_pattern import ReloadPattern, reload_pattern
from runlog.figures.window import Facts, one_machine
from runlog.notes import in_force
from runlog.store import Store

RELOAD_FAULTS: Final = "reload faults"


@dataclass(frozen=True)
class Scope:
    """What is looked at.

    Attributes
    ----------
    cause : str
        RELOAD_FAULTS, or a cause or group of causes of stops.
    machine : str or None
        Only this one.
    first, last : date or None
        Days by which shifts start; the last 13 weeks and since each last fix without.
    """

    cause: str
    machine: str | None
    first: date | None
    last: date | None

    @property
    def of_reloads(self) -> bool:
        """Reload faults, not stops."""
        return self.cause == RELOAD_FAULTS

    @property
    def faults(self) -> str:
        """What is counted, in the plural."""
        return RELOAD_FAULTS if self.of_reloads else f"{self.cause} stops"

    @property
    def per(self) -> str:
        """The unit of rates."""
        return "per 100 reloads" if self.of_reloads else "per 100 h run"


@dataclass(frozen=True)
class Judged:
    """Verdicts with their first words.

    Attributes
    ----------
    groups : pl.DataFrame
        GROUPS, reloads or hours as `chances`.
    figures : pl.DataFrame
        The same as the figures give it.
    found : list of Finding
        What stands out.
    lead : Lead
        The first thing to know.
    mended : pl.DataFrame
        LAST_FIXES.
    first, last : datetime or None
        The time looked at.
    """

    groups: pl.DataFrame
    figures: pl.DataFrame
    found: list[Finding]
    lead: Lead
    mended: pl.DataFrame
    first: datetime | None
    last: datetime | None


def machines(here: data.Place) -> list[str]:
    """Machines in the log."""
    return data.kept(data.of_causes(here), _machines)


def causes(here: data.Place) -> dict[str, str]:
    """Groups of causes, then causes, that stopped a machine, the most frequent first; with what they are called."""
    return data.kept(data.of_causes(here), _causes)


def fixes(here: data.Place) -> pl.DataFrame:
    """Fixes that were noted and not taken back."""
    return data.kept(here, _fixes)


def judged(here: data.Place, scope: Scope) -> Judged:
    """Verdicts of every group."""
    return data.kept(here, _judged, scope)


def pattern(here: data.Place, scope: Scope) -> ReloadPattern | FaultHealth:
    """When faults came, of all machines; the one that is looked at is among them."""
    # Reloads are looked at whatever was mended, stops of a cause beside their judgement, which knows fixes.
    place = data.of_causes(here) if scope.of_reloads else here
    return data.kept(place, _pattern, scope.cause, scope.first, scope.last)


def durations(here: data.Place, scope: Scope) -> ReloadDurations:
    """How long reloads took, of all machines."""
    return data.kept(data.of_causes(here), _durations, scope.first, scope.last)


def checks(here: data.Place, notes: tuple[str, ...] | None = None) -> pl.DataFrame:
    """Before and after some fixes, of all without."""
    return data.kept(here, _checks, notes)


def alarms(here: data.Place, scope: Scope) -> AlarmLoad:
    """How much alarms ask of people."""
    return data.kept(data.of_causes(here), _alarms, scope.machine, scope.first, scope.last)


def members(here: data.Place, scope: Scope, dimension: str, group: str) -> pl.DataFrame:
    """Reloads of a group, or stops."""
    return data.kept(here, _members, scope, dimension, group)


def ahead(here: data.Place) -> None:
    """Ask what other parts of the page, and every other cause, start from; of the usual days."""
    usual = Scope(RELOAD_FAULTS, machine=None, first=None, last=None)
    pattern(here, usual)
    durations(here, usual)
    _shared_by_causes(here, usual.first, usual.last)


# --- asked once ----------------------------------------------------------------------------------


def _machines(here: data.Place) -> list[str]:
    return data.facts(here)["spans"].select("machine").unique().sort("machine").collect()["machine"].to_list()


def _causes(here: data.Place) -> dict[str, str]:
    told = by_cause.causes(data.facts(here), data.site(here))
    groups = told["cause_group"].unique(maintain_order=True).drop_nulls().to_list()
    causes = told["cause"].to_list()
    # Where a group is called like a cause, the name means the cause.
    return {name: f"{name}: all its causes" for name in groups if name not in causes} | {name: name for name in causes}


def _fixes(here: data.Place) -> pl.DataFrame:
    return in_force(Store(here.store).held("notes")).filter(pl.col("kind") == "fix")


def _own_fixes(here: data.Place, machine: str | None) -> pl.DataFrame:
    return fixes(here) if machine is None else fixes(here).filter(pl.col("machine") == machine)


def _judged(here: data.Place, scope: Scope) -> Judged:
    facts, site, held = _of(here, scope.machine), data.site(here), _own_fixes(here, scope.machine)
    days = {"first": scope.first, "last": scope.last, "fixes": held}
    health: ReloadHealth | FaultHealth
    measure: Measure
    if scope.of_reloads:
        health, measure = by_reloads.reload_health(facts, site, **days, held=_held(here, scope)), BY_RELOADS
    else:
        health, measure = _health(here, scope), BY_HOURS
    found = findings(health.groups, health.pairs, health.alike)
    said = lead(found, health.groups, scope.faults, measure)
    groups = health.groups.rename({measure.chances: "chances"})
    return Judged(groups, health.groups, found, said, health.mended, health.first, health.last)


def _health(here: data.Place, scope: Scope) -> FaultHealth:
    if scope.machine is None:
        return data.kept(here, _fault_health, scope.cause, scope.first, scope.last)
    facts, site = _of(here, scope.machine), data.site(here)
    return by_cause.fault_health(
        facts, site, scope.cause, first=scope.first, last=scope.last, fixes=_own_fixes(here, scope.machine)
    )


def _fault_health(here: data.Place, cause: str, first: date | None, last: date | None) -> FaultHealth:
    facts, site, ran = data.facts(here), data.site(here), _shared_by_causes(here, first, last)
    return by_cause.fault_health(facts, site, cause, first=first, last=last, fixes=fixes(here), ran=ran)


def _shared_by_causes(here: data.Place, first: date | None, last: date | None) -> by_cause.Ran:
    """Who ran when: the same for every cause that is chosen."""
    return data.kept(data.of_causes(here), _ran, first, last)


def _ran(here: data.Place, first: date | None, last: date | None) -> by_cause.Ran:
    return by_cause.ran_in(data.facts(here), data.site(here), first=first, last=last)


def _held(here: data.Place, scope: Scope) -> pl.DataFrame:
    """The same for every group that is chosen."""
    return data.kept(data.of_causes(here), _reloads, scope.machine, scope.first, scope.last)


def _reloads(here: data.Place, machine: str | None, first: date | None, last: date | None) -> pl.DataFrame:
    return by_reloads.reloads_within(_of(here, machine), first=first, last=last)


def _pattern(here: data.Place, cause: str, first: date | None, last: date | None) -> ReloadPattern | FaultHealth:
    if cause == RELOAD_FAULTS:
        held = data.kept(data.of_causes(here), _reloads, None, first, last)
        return reload_pattern(data.facts(here), first=first, last=last, held=held)
    return data.kept(here, _fault_health, cause, first, last)


def _durations(here: data.Place, first: date | None, last: date | None) -> ReloadDurations:
    return reload_durations(data.facts(here), first=first, last=last)


def _checks(here: data.Place, notes: tuple[str, ...] | None) -> pl.DataFrame:
    # What a machine had to fail at stays when another fix is noted.
    known = partial(data.kept, data.of_causes(here), _chances)
    return fix_checks(data.facts(here), data.site(here), fixes(here), only=notes, chances=known)


def _chances(here: data.Place, machine: str, cause: str | None) -> Chances:
    return chances_of(data.facts(here), data.site(here), machine, cause)


def _alarms(here: data.Place, machine: str | None, first: date | None, last: date | None) -> AlarmLoad:
    return alarm_load(data.facts(here), first=first, last=last, machine=machine)


def _members(here: data.Place, scope: Scope, dimension: str, group: str) -> pl.DataFrame:
    facts, site, held = _of(here, scope.machine), data.site(here), _own_fixes(here, scope.machine)
    days = {"first": scope.first, "last": scope.last, "fixes": held}
    if scope.of_reloads:
        return reloads_of(facts, site, dimension, group, **days, held=_held(here, scope))
    return stops_of(facts, site, scope.cause, dimension, group, **days)


def _of(here: data.Place, machine: str | None) -> Facts:
    facts = data.facts(here)
    return facts if machine is None else one_machine(facts, data.site(here), machine)

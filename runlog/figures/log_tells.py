"""What the log of each machine tells, what is inferred in the place of it, and what nobody can know.

The items a machine ever told are kept with its facts (`carried`), so no event is asked for. Where a figure can be made
in two ways, the facts say which was taken.
"""

from collections.abc import Sequence
from typing import Final

import polars as pl

from runlog.derive.observations import UNAVAILABLE
from runlog.figures.soundness import Days
from runlog.figures.window import Facts
from runlog.site import Site

TOLD: Final = "told"
INFERRED: Final = "inferred"
MISSING: Final = "not in the log"
NONE: Final = "does not apply"
STATES: Final = (TOLD, INFERRED, MISSING, NONE)

NEEDS: Final = {
    "running": "nothing can be said of running, standing and stops",
    "program": "all parts are of one unknown job; plans cannot be compared",
    "part counter": "parts are counted by programs, or not at all",
    "quality": "good and bad parts are not told apart: no quality ratio, no OEE",
    "bar changes": "bar changes are seen late, by jumps or counters, or not at all",
    "bar length": "bars are taken to be as long as planned",
    "remnant": "what is left of a bar is inferred from the parts made",
    "bars filled in": "the magazine is taken as full: when it runs out is not known",
    "alarms": "stops have no cause but those told by door, emergency stop and mode",
    "visits": "when somebody came is not seen: what is attended is told by the shift plan",
    "mode": "setting by hand is not told from stopping",
    "emergency stop": "such a stop looks like any other",
    "spindle speed": "how long spindles turn is not measured",
    "spindle load": "cutting is not told from turning in air",
    "lost signal": "a lost signal looks like a machine that keeps its state",
}
"""What figures need of a log, and what follows where it is missing."""

OF_BARS: Final = ("bar changes", "bar length", "remnant", "bars filled in")
"""Needs of machines with a feeder."""

_KIND: Final = pl.struct("item", "sub_type", "component").alias("kinds")
_ROW: Final = ["machine", "need", "state", "how", "follows"]


def last_ways(facts: Facts, days: Days) -> pl.DataFrame:
    """By what figures of the days were made, and on which day last: enough to know it of any fewer last days.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    days : Days

    Returns
    -------
    DataFrame
        machine, need, basis, day (local date).
    """

    def of(table: str, at: str, need: str, column: str) -> pl.LazyFrame:
        here = facts[table].filter((pl.col(at) >= days.start) & (pl.col(at) < days.end))
        last = here.group_by("machine", basis=pl.col(column)).agg(pl.col(at).max()).drop_nulls("basis")
        day = pl.col(at).dt.convert_time_zone(days.zone).dt.date()
        return last.select("machine", "basis", need=pl.lit(need), day=day)

    here = pl.col("shift_date").is_between(days.first, days.last)
    rated = facts["shift_figures"].filter(here & pl.col("good_parts").is_not_null() & (pl.col("parts") > 0))
    rows = [
        of("parts", "at", "part counter", "evidence"),
        of("reloads", "start", "bar changes", "evidence"),
        of("bars", "loaded_at", "bar length", "loaded_basis"),
        of("bars", "loaded_at", "remnant", "remnant_basis"),
        of("shift_plans", "shift_start", "bars filled in", "bars_basis"),
        rated.group_by("machine", basis=pl.lit("counted")).agg(need=pl.lit("quality"), day=pl.col("shift_date").max()),
    ]
    # Parts are millions of rows: the streaming engine need not hold them.
    found = pl.collect_all([one.select("machine", "need", "basis", "day") for one in rows], engine="streaming")
    return pl.concat(found)


def log_tells(ways: pl.DataFrame, carried: pl.LazyFrame, site: Site, days: Days) -> pl.DataFrame:
    """One row a machine and need.

    Parameters
    ----------
    ways : DataFrame
        `last_ways` of these days, or of more that end where these do.
    carried : LazyFrame
        CARRIED: what was last known of every item of a machine.
    site : Site
    days : Days
        How figures of these days were made; machines that made none are judged by their items.

    Returns
    -------
    DataFrame
        machine, need (of NEEDS), state (told, inferred, not in the log, does not apply), how (by what it is known),
        follows (from that it is not; empty where it is told). In the order of the site file.
    """
    lost = (pl.col("text") == UNAVAILABLE).fill_null(False)
    kinds = carried.filter(pl.col("as_of").is_null()).group_by("machine").agg(_KIND.unique(), lost=lost.any())
    items = {
        machine: _Has(told, unavailable=lost) for machine, told, lost in kinds.sort("machine").collect().iter_rows()
    }
    in_use = ways.filter(pl.col("day") >= days.first).group_by("machine", "need").agg("basis")
    basis = {(machine, need): sorted(found) for machine, need, found in in_use.iter_rows()}
    known = [machine.name for machine in site.machines]
    rows = [
        row
        for name in dict.fromkeys([*known, *items])
        for row in _of_machine(name, items.get(name, _NOTHING), basis, site)
    ]
    return pl.DataFrame(rows, schema=dict.fromkeys(_ROW, pl.String()), orient="row")


_Told = tuple[str, str]
"""State, and by what."""


def _of_machine(
    machine: str, has: "_Has", basis: dict[tuple[str, str], list[str]], site: Site
) -> list[tuple[str, str, str, str, str]]:
    by = {need: basis.get((machine, need), []) for need in NEEDS}
    about = site.machine(machine)
    told: dict[str, _Told] = {
        "running": has.any("EXECUTION"),
        "program": has.any("PROGRAM"),
        "part counter": _counter(has, by["part counter"]),
        "quality": _quality(has, by["quality"]),
        "bar changes": _changes(has, by["bar changes"]),
        "bar length": _measured(by["bar length"], has.sub("LENGTH", "STANDARD"), "as planned"),
        "remnant": _measured(by["remnant"], has.sub("LENGTH", "REMAINING"), "from the parts made"),
        "bars filled in": _filled(has, by["bars filled in"]),
        "alarms": has.any("CONDITION"),
        "visits": _visits(has),
        "mode": has.any("CONTROLLER_MODE"),
        "emergency stop": has.any("EMERGENCY_STOP"),
        "spindle speed": _speed(has, about.spindles),
        "spindle load": has.any("LOAD"),
        "lost signal": _lost(has, about.heartbeat.item if about.heartbeat else ""),
    }
    if about.feeder is None:
        told |= dict.fromkeys(OF_BARS, (NONE, "no feeder in the site file"))
    return [
        (machine, need, state, how, NEEDS[need] if state in (INFERRED, MISSING) else "")
        for need, (state, how) in told.items()
    ]


class _Has:
    """Which items a machine told: item, sub type and component of each."""

    def __init__(self, kinds: list[dict[str, str]], *, unavailable: bool) -> None:
        self._kinds = {(kind["item"], kind["sub_type"], kind["component"]) for kind in kinds}
        self.unavailable = unavailable

    def any(self, *items: str) -> _Told:
        found = sorted({item for item, _, _ in self._kinds if item in items})
        return (TOLD, ", ".join(found)) if found else (MISSING, "")

    def sub(self, item: str, *subs: str) -> bool:
        return any(kind == item and sub in subs for kind, sub, _ in self._kinds)

    def on(self, item: str, component: str) -> bool:
        return any(kind == item and where == component for kind, _, where in self._kinds)


_NOTHING: Final = _Has([], unavailable=False)


def _counter(has: _Has, evidence: list[str]) -> _Told:
    counted = [one for one in evidence if one not in ("program completed", "active stretch")]
    if evidence:
        return (TOLD if len(counted) == len(evidence) else INFERRED, ", ".join(evidence))
    return has.any("PART_COUNT")


def _quality(has: _Has, rated: list[str]) -> _Told:
    if has.sub("PART_COUNT", "GOOD", "BAD"):
        return TOLD, "counters GOOD, BAD"
    return (INFERRED, "scrap lists") if rated else (MISSING, "")


def _changes(has: _Has, evidence: list[str]) -> _Told:
    spoken = has.any("MATERIAL_CHANGE", "MATERIAL_LOAD", "END_OF_BAR")
    if spoken[0] == TOLD or not evidence:
        return spoken
    return INFERRED, ", ".join(evidence)


def _measured(basis: list[str], item: bool, otherwise: str) -> _Told:
    if "measured" in basis or (not basis and item):
        return TOLD, "measured"
    return INFERRED, otherwise


def _filled(has: _Has, basis: list[str]) -> _Told:
    noted = "noted" in basis or (not basis and has.any("BARS_LOADED")[0] == TOLD)
    return (TOLD, "noted at filling") if noted else (INFERRED, "taken as full")


def _visits(has: _Has) -> _Told:
    seen = has.any("DOOR_STATE", "OPERATOR_ID", "USER", "KEY_PRESSED")
    if seen[0] == TOLD:
        return seen
    return (INFERRED, "by changes of mode") if has.any("CONTROLLER_MODE")[0] == TOLD else seen


def _speed(has: _Has, spindles: Sequence[str]) -> _Told:
    heard = [spindle for spindle in spindles if has.on("ROTARY_VELOCITY", spindle)]
    if not heard:
        return MISSING, ""
    return (TOLD, ", ".join(heard)) if len(heard) == len(spindles) else (INFERRED, f"{', '.join(heard)} only")


def _lost(has: _Has, heartbeat: str) -> _Told:
    if heartbeat:
        return TOLD, f"heartbeat {heartbeat}"
    found = has.any("AVAILABILITY")
    return (TOLD, "UNAVAILABLE") if found[0] == MISSING and has.unavailable else found

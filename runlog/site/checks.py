"""What the whole site file must hold beyond each value: names used once, references that lead somewhere.

The checks work on the sections that are sound in themselves, so that a wrong number in one job does not
hide that two others share a program: all mistakes are told at once.
"""

from collections.abc import Iterator, Mapping
from datetime import date, datetime, time
from typing import Any, Final, TypeVar

from pydantic import BaseModel, ValidationError

from runlog.schema import NO_JOB
from runlog.site.sections import DAYS, Closure, Job, Shift, Source

_Section = TypeVar("_Section", bound=BaseModel)
_Tree = Mapping[str, Any]

_DAY_MIN: Final = 24 * 60
_WEEK_MIN: Final = 7 * _DAY_MIN


def cross_checks(tree: _Tree) -> list[str]:
    """Mistakes between sections, one a line, without the name of the file.

    Parameters
    ----------
    tree : mapping
        The site file as TOML gives it.
    """
    machines = {name for _, name in _names(tree, "machine")}
    sources, closures = list(_sound(tree, "source", Source)), list(_sound(tree, "closure", Closure))
    jobs, shifts = list(_sound(tree, "job", Job)), list(_sound(tree, "shift", Shift))
    return [
        *(mistake for section in ("machine", "job", "shift", "source") for mistake in _repeats(tree, section)),
        *_jobs(jobs),
        *_shared_programs(jobs),
        *_overlaps(shifts),
        *_breaks(shifts),
        *_sources(sources, machines),
        *_closures(closures, machines),
    ]


def _entries(tree: _Tree, section: str) -> list[Any]:
    entries = tree.get(section, [])
    return entries if isinstance(entries, list) else []


def _sound(tree: _Tree, section: str, kind: type[_Section]) -> Iterator[tuple[int, _Section]]:
    for number, entry in enumerate(_entries(tree, section), 1):
        try:
            yield number, kind.model_validate(entry)
        except ValidationError:
            continue  # its own mistakes are told already


def _names(tree: _Tree, section: str) -> list[tuple[int, str]]:
    """Names as written, of sections with other mistakes too: they may be referred to."""
    entries = enumerate(_entries(tree, section), 1)
    named = [(number, entry.get("name")) for number, entry in entries if isinstance(entry, Mapping)]
    return [(number, name) for number, name in named if isinstance(name, str)]


def _repeats(tree: _Tree, section: str) -> Iterator[str]:
    seen: set[str] = set()
    for number, name in _names(tree, section):
        if name in seen:
            yield f"{section}[{number}].name: {name!r} found, a name not used before expected"
        seen.add(name)


def _jobs(jobs: list[tuple[int, Job]]) -> Iterator[str]:
    for number, job in jobs:
        if job.name == NO_JOB:
            yield f"job[{number}].name: {NO_JOB!r} found, another name expected: it stands for programs of no job"
        if job.bar_mm <= job.top_cut_mm + job.part_mm:
            yield f"job[{number}].bar_mm: {job.bar_mm:g} found, more than top cut and one part expected"


def _shared_programs(jobs: list[tuple[int, Job]]) -> Iterator[str]:
    owner: dict[str, int] = {}
    for number, job in jobs:
        for program in job.programs:
            first = owner.setdefault(program, number)
            if first != number:
                yield f"job[{number}].programs: {program!r} found, already of job[{first}]; one job a program expected"


def _sources(sources: list[tuple[int, Source]], machines: set[str]) -> Iterator[str]:
    for number, source in sources:
        named = {f"machines.{key}": name for key, name in source.machines.items()}
        if source.machine is not None:
            named["machine"] = source.machine
        for key, name in named.items():
            if name not in machines:
                yield f"source[{number}].{key}: {name!r} found, a machine of this file expected"
        if source.machine is None and source.csv and source.csv.machine is None and len(machines) != 1:
            yield f"source[{number}].machine: nothing found, a machine, or `csv.machine` to name its column, expected"


def _closures(closures: list[tuple[int, Closure]], machines: set[str]) -> Iterator[str]:
    for number, closure in closures:
        for name in closure.machines:
            if name not in machines:
                yield f"closure[{number}].machines: {name!r} found, a machine of this file expected"
        if _as_key(closure.start) >= _as_key(closure.end):
            yield f"closure[{number}].end: {closure.end} found, an end after the start expected"


def _as_key(value: datetime | date) -> datetime:
    return value.replace(tzinfo=None) if isinstance(value, datetime) else datetime(value.year, value.month, value.day)


# --- shifts --------------------------------------------------------------------------------------


def _overlaps(shifts: list[tuple[int, Shift]]) -> Iterator[str]:
    """Overlapping shifts would plan the same hour twice."""
    for place, (number, shift) in enumerate(shifts):
        for first, earlier in shifts[:place]:
            if any(_meet(a, b) for a in _week(shift) for b in _week(earlier)):
                yield (
                    f"shift[{number}].start: {shift.start:%H:%M}-{shift.end:%H:%M} found, "
                    f"no overlap with shift[{first}] {earlier.name!r} expected"
                )


def _week(shift: Shift) -> list[tuple[int, int]]:
    """The shift's stretches of one week, in minutes since Monday; the last may reach past Sunday."""
    start, length = _minutes(shift.start), _length(shift.start, shift.end)
    days = [DAYS.index(day) * _DAY_MIN for day in shift.days]
    return [(day + start, day + start + length) for day in days]


def _meet(one: tuple[int, int], other: tuple[int, int]) -> bool:
    return any(one[0] < other[1] + week and other[0] + week < one[1] for week in (-_WEEK_MIN, 0, _WEEK_MIN))


def _breaks(shifts: list[tuple[int, Shift]]) -> Iterator[str]:
    for number, shift in shifts:
        for which, pause in enumerate(shift.breaks, 1):
            begins = _length(shift.start, pause.start) % _DAY_MIN
            if begins + _length(pause.start, pause.end) > _length(shift.start, shift.end):
                yield (
                    f"shift[{number}].breaks[{which}]: {pause.start:%H:%M}-{pause.end:%H:%M} found, "
                    f"a break within {shift.start:%H:%M}-{shift.end:%H:%M} expected"
                )


def _minutes(clock: time) -> int:
    return clock.hour * 60 + clock.minute


def _length(start: time, end: time) -> int:
    """Minutes from a clock time to the next other one; a whole day from one to itself."""
    return (_minutes(end) - _minutes(start)) % _DAY_MIN or _DAY_MIN

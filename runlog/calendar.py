"""Shifts, planned time and unattended windows as instants in UTC.

    shifts(site, first, last)                 every shift that touches [first, last)
    planned(site, machines, first, last)      planned busy time: shifts less closures, less breaks that stop a machine
    unattended(site, first, last)             adjoining unattended shifts joined into windows
    closures(site)                            what is not planned, and of which machines

Shifts are local: a night shift of 22:00-06:00 lasts 7 h or 9 h when the clocks change. A shift belongs to
the local date on which it starts. The loops here run over days of a calendar, never over rows of a log.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import polars as pl

from runlog.schema import DATE, FLAG, INSTANT, TEXT
from runlog.site import DAYS, Shift, Site

SHIFT_WINDOWS = pl.Schema(
    {"shift_date": DATE, "shift": TEXT, "shift_start": INSTANT, "shift_end": INSTANT, "attended": FLAG}
)
"""One row a shift: [shift_start, shift_end)."""

PLANNED_WINDOWS = pl.Schema(
    {
        "machine": TEXT,
        "shift_date": DATE,
        "shift": TEXT,
        "shift_start": INSTANT,
        "shift_end": INSTANT,
        "attended": FLAG,
        "start": INSTANT,
        "end": INSTANT,
    }
)
"""One row a piece of planned busy time [start, end) of a machine."""

UNATTENDED_WINDOWS = pl.Schema({"window_start": INSTANT, "window_end": INSTANT})
"""One row a window planned with nobody present."""

WHOLE_DAY = Shift(name="day", start=time(0), end=time(0), attended=True)
"""What holds for a site that names no shifts: days, attended."""

Closed = tuple[datetime, datetime, list[str]]
"""Start and end of a closure, and the machines it holds for; none named: all."""


@dataclass(frozen=True)
class _Window:
    shift: Shift
    day: date
    start: datetime
    end: datetime


def shifts(site: Site, first: datetime, last: datetime) -> pl.DataFrame:
    """Every shift that touches [first, last), in order of start (SHIFT_WINDOWS)."""
    rows = [(w.day, w.shift.name, w.start, w.end, w.shift.attended) for w in _windows(site, first, last)]
    return pl.DataFrame(rows, schema=SHIFT_WINDOWS, orient="row")


def planned(site: Site, machines: Iterable[str], first: datetime, last: datetime) -> pl.DataFrame:
    """Planned busy time of each machine in the shifts that touch [first, last) (PLANNED_WINDOWS).

    A shift wholly closed has no row.
    """
    windows, closed = list(_windows(site, first, last)), closures(site)
    rows = [
        (machine, w.day, w.shift.name, w.start, w.end, w.shift.attended, start, end)
        for machine in machines
        for w in windows
        for start, end in _less(w.start, w.end, _off_time(site, machine, w, closed))
    ]
    return pl.DataFrame(rows, schema=PLANNED_WINDOWS, orient="row")


def unattended(site: Site, first: datetime, last: datetime) -> pl.DataFrame:
    """Windows planned with nobody present that touch [first, last) (UNATTENDED_WINDOWS).

    Adjoining unattended shifts are one window, so windows are sought a week further out on both
    sides: a weekend that began before `first` is returned whole.
    """
    joined: list[list[datetime]] = []
    margin = timedelta(days=8)
    for window in _windows(site, first - margin, last + margin):
        if window.shift.attended:
            continue
        if joined and joined[-1][1] >= window.start:
            joined[-1][1] = max(joined[-1][1], window.end)
        else:
            joined.append([window.start, window.end])
    rows = [(start, end) for start, end in joined if end > first and start < last]
    return pl.DataFrame(rows, schema=UNATTENDED_WINDOWS, orient="row")


def closures(site: Site) -> list[Closed]:
    """Every closure, in the order of the site file."""
    return [
        (_closure_instant(site, closure.start), _closure_instant(site, closure.end), closure.machines)
        for closure in site.closure
    ]


def local_instant(site: Site, day: date, clock: time) -> datetime:
    """The instant of a local clock time on a local date; the first of a repeated hour."""
    return datetime.combine(day, clock, tzinfo=site.zone).astimezone(UTC)


def _windows(site: Site, first: datetime, last: datetime) -> Iterator[_Window]:
    day = first.astimezone(site.zone).date() - timedelta(days=2)
    stop = last.astimezone(site.zone).date() + timedelta(days=1)
    found: list[_Window] = []
    while day <= stop:
        for shift in site.shift or [WHOLE_DAY]:
            if DAYS[day.weekday()] in shift.days:
                start, end = _local_stretch(site, day, shift.start, shift.end)
                if end > first and start < last:
                    found.append(_Window(shift, day, start, end))
        day += timedelta(days=1)
    yield from sorted(found, key=lambda window: window.start)


def _local_stretch(site: Site, day: date, start: time, end: time) -> tuple[datetime, datetime]:
    end_day = day if end > start else day + timedelta(days=1)
    return local_instant(site, day, start), local_instant(site, end_day, end)


def _off_time(site: Site, machine: str, window: _Window, closed: list[Closed]) -> list[tuple[datetime, datetime]]:
    off = [(start, end) for start, end, machines in closed if not machines or machine in machines]
    if site.machine(machine).stops_for_breaks:
        for pause in window.shift.breaks:
            for day in (window.day, window.day + timedelta(days=1)):
                start, end = _local_stretch(site, day, pause.start, pause.end)
                if start >= window.start and end <= window.end:
                    off.append((start, end))
    return sorted(off)


def _closure_instant(site: Site, value: datetime | date) -> datetime:
    if not isinstance(value, datetime):
        return local_instant(site, value, time(0))
    return (value if value.tzinfo else value.replace(tzinfo=site.zone)).astimezone(UTC)


def _less(start: datetime, end: datetime, off: list[tuple[datetime, datetime]]) -> Iterator[tuple[datetime, datetime]]:
    for off_start, off_end in off:
        if off_end <= start or off_start >= end:
            continue
        if off_start > start:
            yield start, off_start
        start = max(start, off_end)
    if start < end:
        yield start, end

"""The invented shop's hours, by its own reckoning: shifts, breaks, the closure, as milliseconds UTC."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from runlog.simulator.shop import ZONE

_ZONE = ZoneInfo(ZONE)
_EARLY_BREAKS = ((time(9), time(9, 15)), (time(12), time(12, 30)))
_LATE_BREAKS = ((time(18), time(18, 30)),)
_CLOSED = (date(2026, 10, 3), date(2026, 10, 4))
SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE

Stretch = tuple[int, int]


def local(day: date, at: time) -> int:
    """Local clock time as milliseconds since 1970 UTC."""
    return round(datetime.combine(day, at, _ZONE).astimezone(UTC).timestamp() * 1000)


def clock(at: float) -> datetime:
    """Local clock time of an instant in milliseconds."""
    return datetime.fromtimestamp(at / 1000, _ZONE)


@dataclass(frozen=True)
class Shift:
    """One shift on one date; `closed` and `breaks` are the stretches in it that are not planned."""

    name: str
    day: date
    start: int
    end: int
    attended: bool
    breaks: tuple[Stretch, ...] = ()
    closed: tuple[Stretch, ...] = ()


def shifts(first: date, last: date) -> list[Shift]:
    """Every shift that starts on a local date from `first` to `last`, in order."""
    closure = (local(_CLOSED[0], time(0)), local(_CLOSED[1], time(0)))
    found: list[Shift] = []
    day = first
    while day <= last:
        if day.weekday() < 5:
            found.append(_shift("early", day, time(6), time(14), _EARLY_BREAKS, closure))
            found.append(_shift("late", day, time(14), time(22), _LATE_BREAKS, closure))
        found.append(_shift("night", day, time(22), time(6), (), closure))
        day += timedelta(days=1)
    return found


def _shift(
    name: str, day: date, start: time, end: time, breaks: tuple[tuple[time, time], ...], closure: Stretch
) -> Shift:
    end_day = day if end > start else day + timedelta(days=1)
    a, b = local(day, start), local(end_day, end)
    cut = (max(a, closure[0]), min(b, closure[1]))
    return Shift(
        name,
        day,
        a,
        b,
        attended=name != "night",
        breaks=tuple((local(day, one), local(day, other)) for one, other in breaks),
        closed=(cut,) if cut[0] < cut[1] else (),
    )


def joined(stretches: list[Stretch]) -> list[Stretch]:
    """Stretches in order, those that touch or overlap made one."""
    out: list[Stretch] = []
    for start, end in sorted(stretches):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


def without(stretches: list[Stretch], holes: list[Stretch]) -> list[Stretch]:
    """What is left of the stretches when the holes are cut out of them."""
    out: list[Stretch] = []
    for start, end in stretches:
        at = start
        for a, b in sorted(holes):
            if b <= at or a >= end:
                continue
            if a > at:
                out.append((at, a))
            at = max(at, b)
        if at < end:
            out.append((at, end))
    return out

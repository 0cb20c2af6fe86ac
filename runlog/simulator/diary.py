"""What a machine did, written down twice while it happens: what its log says, and what is true.

`say` goes into the log; everything else is the truth behind it. Instants are whole milliseconds UTC,
so that every format carries them exactly.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

Times = np.ndarray[Any, np.dtype[Any]]


@dataclass
class Stop:
    """A stop, its cause as decided when it was invented; `end` None while it stands."""

    start: int
    cause: str
    basis: str
    end: int | None = None
    code: str | None = None
    text: str | None = None
    consequences: list[str] = field(default_factory=list)


@dataclass
class Alarm:
    """One activation in the log."""

    start: int
    key: str
    level: str
    code: str
    text: str
    cause: str
    end: int | None = None
    stop: Stop | None = None
    first_out: bool = False


@dataclass
class Reload:
    """A bar change as it was played out."""

    start: int
    job: str
    planned_s: float
    evidence: str
    end: int | None = None
    outcome: str | None = None
    attempts: int = 1
    hand_load: bool = False
    alarm: Alarm | None = None


@dataclass
class Bar:
    """One bar in the spindle."""

    loaded_at: int
    job: str
    loaded_mm: float | None
    finished_at: int | None = None
    remnant_mm: float | None = None
    end_unknown: bool = False


@dataclass
class Changeover:
    """From the last part of one job to the first good part of the next."""

    from_job: str
    to_job: str
    start: int
    setting_start: int
    end: int


@dataclass
class Parts:
    """Parts counted one after the other under the same circumstances; `unseen` only where a counter skipped."""

    at: Times
    job: str
    program: str
    setting: bool
    good: Times | None
    unseen: Times | None = None


@dataclass
class Diary:
    """Everything written down about one machine."""

    machine: str
    log: dict[str, list[tuple[Times, Any]]] = field(default_factory=dict)
    conditions: list[tuple[int, str, str, str | None, str | None]] = field(default_factory=list)
    notes: list[tuple[int, str, str]] = field(default_factory=list)
    marks: list[tuple[int, str, Stop | None]] = field(default_factory=list)
    turning: dict[str, list[tuple[Times, Times]]] = field(default_factory=lambda: {"main": [], "sub": []})
    loads: list[tuple[int, Times, Times]] = field(default_factory=list)
    dark: list[tuple[int, int]] = field(default_factory=list)
    parts: list[Parts] = field(default_factory=list)
    reloads: list[Reload] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    stops: list[Stop] = field(default_factory=list)
    alarms: list[Alarm] = field(default_factory=list)
    evidence: list[int] = field(default_factory=list)
    programs: list[tuple[int, str]] = field(default_factory=list)
    jobs: list[tuple[int, str]] = field(default_factory=list)
    changeovers: list[Changeover] = field(default_factory=list)
    planted: list[dict[str, Any]] = field(default_factory=list)
    last: dict[str, Any] = field(default_factory=dict)
    horizon: int = 0

    def say(self, at: int, key: str, value: Any) -> None:
        """One value in the log."""
        self.log.setdefault(key, []).append((np.array([at], np.int64), value))
        self.last[key] = value

    def say_many(self, at: Times, key: str, values: Any) -> None:
        """Values in the log: one for all instants, or an array."""
        if len(at):
            self.log.setdefault(key, []).append((at, values))
            self.last[key] = values[-1] if isinstance(values, np.ndarray) else values

    def note(self, at: int, item: str, value: Any) -> None:
        """A setup note."""
        self.notes.append((at, item, str(value)))

    def mark(self, at: int, kind: str, stop: Stop | None = None) -> None:
        """From here on the machine is of this kind; a stop that stood ends unless it goes on."""
        before = self.marks[-1][2] if self.marks else None
        if before is not None and before is not stop:
            before.end = at
        if stop is not None and stop is not before:
            self.stops.append(stop)
        self.marks.append((at, kind, stop))

    def raise_alarm(self, at: int, key: str, code: str, text: str, cause: str, level: str = "FAULT") -> Alarm:
        """An alarm comes up."""
        alarm = Alarm(at, key, level, code, text, cause)
        self.alarms.append(alarm)
        self.conditions.append((at, key, level, code, text))
        return alarm

    def clear_alarms(self, at: int) -> None:
        """Whatever is active clears: a plain NORMAL for each signal that has one."""
        keys = sorted({alarm.key for alarm in self.alarms if alarm.end is None})
        for alarm in self.alarms:
            if alarm.end is None:
                alarm.end = at
        self.conditions += [(at, key, "NORMAL", None, None) for key in keys]

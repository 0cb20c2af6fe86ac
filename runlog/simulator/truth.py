"""The facts behind a simulated log, by arithmetic of their own on what was played out.

Instants are milliseconds until the last step turns them into table columns. The rules are those of
`docs/rules.md`; nothing here reads the log.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from runlog import schema
from runlog.simulator import hours
from runlog.simulator.diary import Diary, Reload, Stop
from runlog.simulator.hours import HOUR, SECOND, Shift, Stretch
from runlog.simulator.shop import ALARMS, JOBS, NOTE_ITEMS, RANK, SIGNALS, Job, Profile

MINOR_MS = 300 * SECOND
VISIT_MS = 900 * SECOND
Row = dict[str, Any]


@dataclass
class Span:
    """A stretch of one machine's time."""

    start: int
    end: int
    kind: str
    stop: Stop | None
    attended: bool
    program: str
    job: str


@dataclass
class Count:
    """One part."""

    at: float
    job: str
    program: str
    setting: bool
    good: bool | None
    batch: bool
    unseen: bool


@dataclass
class Run:
    """One unattended run."""

    window: Stretch
    start: int
    end: int
    ended_by: str
    stop: Stop | None


def covered(starts: np.ndarray, ends: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Length of ordered, disjoint stretches that lies before each instant."""
    if len(starts) == 0:
        return np.zeros(len(at))
    knots = np.empty(2 * len(starts))
    knots[0::2], knots[1::2] = starts, ends
    lengths = np.concatenate([[0.0], np.cumsum(np.diff(knots) * (np.arange(2 * len(starts) - 1) % 2 == 0))])
    return np.interp(at, knots, lengths)


class Truth:
    """Everything true of one machine.

    Parameters
    ----------
    diary : Diary
        What was played out.
    kind : Profile
        The machine.
    shifts : sequence of Shift
        Shifts from before the first event to after the last.
    horizon : int
        Up to where anything is known. [ms]
    """

    def __init__(self, diary: Diary, kind: Profile, shifts: Sequence[Shift], horizon: int) -> None:
        self.diary, self.kind, self.shifts, self.horizon = diary, kind, shifts, horizon
        self.start = diary.marks[0][0]
        self.visits = hours.joined([(at, at + VISIT_MS) for at in sorted(diary.evidence)])
        planned = [(shift.start, shift.end) for shift in shifts if shift.attended]
        self.attended = hours.joined(self.visits + planned)
        self.notes = {
            item: [(at, value) for at, name, value in sorted(diary.notes) if name == item] for item in NOTE_ITEMS
        }
        came_in = [one.end or 0 for one in diary.reloads if one.outcome in ("clean", "slow", "retried")]
        self._came_in = np.array(sorted(came_in), float)
        self.spans = self._spans()
        self._starts = np.array([span.start for span in self.spans])
        self.parts = self._parts()
        self.counted = np.array([part.at for part in self.parts])
        self.runs = self._runs()

    # --- what holds when -------------------------------------------------------------------------

    def _spans(self) -> list[Span]:
        marks, programs, jobs = self.diary.marks, self.diary.programs, self.diary.jobs
        edges = [at for at, *_ in [*marks, *programs, *jobs]] + [at for pair in self.attended for at in pair]
        cuts = sorted({at for at in edges if self.start <= at < self.horizon})
        found: list[Span] = []
        for start, end in zip(cuts, [*cuts[1:], self.horizon], strict=True):
            _, kind, stop = _last(marks, start)
            span = Span(
                start, end, kind, stop, self.is_attended(start), _last(programs, start)[1], _last(jobs, start)[1]
            )
            before = found[-1] if found else None
            same = before is not None and (
                (before.kind, before.attended, before.program, before.job)
                == (span.kind, span.attended, span.program, span.job)
                and before.stop is span.stop
            )
            if before is not None and same:
                before.end = end
            else:
                found.append(span)
        return found

    def is_attended(self, at: float) -> bool:
        """Somebody was there, or was planned to be."""
        return _within(self.attended, at)

    def job_at(self, at: float) -> str:
        """Job that an instant belongs to."""
        return _last(self.diary.jobs, at)[1]

    def program_at(self, at: float) -> str:
        """Program selected."""
        return _last(self.diary.programs, at)[1]

    def made_between(self, after: float, until: float) -> list[Count]:
        """Parts counted after one instant and up to another."""
        first, last = np.searchsorted(self.counted, [after, until], "right")
        return self.parts[int(first) : int(last)]

    def noted(self, item: str, at: float) -> str | None:
        """What was last noted."""
        told = self.notes[item]
        return _last(told, at)[1] if told and told[0][0] <= at else None

    def run_at(self, at: float) -> Run | None:
        """The unattended run an instant lies in."""
        run = _last([(run.start, run) for run in self.runs], at)[1] if self.runs else None
        return run if run is not None and run.start <= at < run.end else None

    def end_of(self, stop: Stop) -> int:
        """End of a stop, the horizon while it stands."""
        return min(stop.end or self.horizon, self.horizon)

    def is_minor(self, stop: Stop) -> bool:
        """Shorter in whole than a minor stop may be."""
        return self.end_of(stop) - stop.start < MINOR_MS

    def _parts(self) -> list[Count]:
        found: list[Count] = []
        for group in self.diary.parts:
            n = len(group.at)
            good = [None] * n if group.good is None else [bool(one) for one in group.good]
            unseen = [False] * n if group.unseen is None else [bool(one) for one in group.unseen]
            found += [
                Count(float(at), group.job, group.program, group.setting, g, group.unseen is not None, u)
                for at, g, u in zip(group.at, good, unseen, strict=True)
            ]
        return found

    # --- unattended runs -------------------------------------------------------------------------

    def _runs(self) -> list[Run]:
        found: list[Run] = []
        nights = hours.joined([(shift.start, shift.end) for shift in self.shifts if not shift.attended])
        for window in nights:
            if window[0] >= self.horizon or window[1] <= self.start:
                continue
            for stretch in hours.without([window], self.visits):
                run = self._run(window, stretch)
                if run is not None:
                    found.append(run)
        return found

    def _run(self, window: Stretch, stretch: Stretch) -> Run | None:
        a, b = stretch[0], min(stretch[1], self.horizon)
        first, last = np.searchsorted(self._starts, a, "right") - 1, np.searchsorted(self._starts, b)
        inside = self.spans[max(0, int(first)) : int(last)]
        busy = [span for span in inside if span.kind in ("producing", "reloading")]
        if not busy:
            return None
        start = max(a, busy[0].start)
        ended_by = "window" if stretch[1] == window[1] else "visit"
        then = inside[-1]
        if then.kind == "stopped" and then.stop is not None:
            words = {"count reached": "order complete", "magazine empty": "out of bars"}
            return Run(window, start, then.stop.start, words.get(then.stop.cause, "stop"), then.stop)
        if then.kind == "no signal" and then.end - then.start >= MINOR_MS:
            return Run(window, start, then.start, "no signal", None)
        return Run(window, start, b, ended_by, None)

    # --- tables ----------------------------------------------------------------------------------

    def span_rows(self) -> list[Row]:
        """Rows of `spans`."""
        return [
            {
                **self._head(span.start, span.end),
                "kind": span.kind,
                "cause": span.stop.cause if span.stop else None,
                "attended": span.attended,
                "program": span.program,
                "job": span.job,
            }
            for span in self.spans
        ]

    def _head(self, start: float | None, end: float | None) -> Row:
        return {"machine": self.diary.machine, "start": start, "end": end}

    def part_rows(self) -> list[Row]:
        """Rows of `parts`; the cycle is the time since the part before, stopped and reloading time out."""
        at = self.counted
        idle = [span for span in self.spans if span.kind in ("stopped", "reloading")]
        lost = covered(np.array([s.start for s in idle]), np.array([s.end for s in idle]), at)
        cycles = [None, *((np.diff(at) - np.diff(lost)) / SECOND)]
        evidence = "counter ALL" if self.kind.counter == "ALL" else "program completed"
        return [
            {
                "machine": self.diary.machine,
                "at": part.at,
                "job": part.job,
                "program": part.program,
                "cycle_s": cycle,
                "good": part.good,
                "counted_in_batch": part.batch,
                "made_unseen": part.unseen,
                "setting": part.setting,
                "evidence": evidence,
            }
            for part, cycle in zip(self.parts, cycles, strict=True)
        ]

    def reload_rows(self) -> list[Row]:
        """Rows of `reloads`."""
        return [self._reload_row(reload) for reload in self.diary.reloads]

    def _reload_row(self, reload: Reload) -> Row:
        job, alarm = JOBS[reload.job], reload.alarm
        run = self.run_at(reload.start)
        return {
            **self._head(reload.start, reload.end),
            "outcome": reload.outcome,
            "attempts": reload.attempts,
            "duration_s": ((reload.end or self.horizon) - reload.start) / SECOND,
            "planned_s": reload.planned_s,
            "evidence": reload.evidence,
            "hand_load": reload.hand_load,
            "attended": self.is_attended(reload.start),
            "job": job.name,
            "program": self.program_at(reload.start),
            "material": job.material,
            "diameter_mm": job.diameter_mm,
            "feed_mode": job.feed_mode,
            "lot": self.noted("BAR_LOT", reload.start),
            "liner": self.noted("LINER", reload.start),
            "pusher": self.noted("PUSHER", reload.start),
            "bar_position": self._bar_position(reload),
            "run_hour": (reload.start - run.start) / HOUR if run else None,
            "first_out_at": alarm.start if alarm else None,
            "first_out_code": alarm.code if alarm else None,
            "first_out_text": alarm.text if alarm else None,
            "first_out_cause": alarm.cause if alarm else None,
        }

    def loaded_since(self, noted_at: float, until: float) -> int:
        """Bars that came in by a clean, slow or retried reload."""
        before, upto = np.searchsorted(self._came_in, [noted_at, until], "right")
        return int(upto - before)

    def _bar_position(self, reload: Reload) -> int | None:
        noted = [at for at, _ in self.notes["BARS_LOADED"] if at <= reload.start]
        return self.loaded_since(noted[-1], reload.start) + 1 if noted else None

    def stop_rows(self) -> list[Row]:
        """Rows of `stops`."""
        ending = {id(run.stop) for run in self.runs if run.ended_by == "stop"}
        return [
            {
                **self._head(stop.start, self.end_of(stop)),
                "duration_s": (self.end_of(stop) - stop.start) / SECOND,
                "cause": stop.cause,
                "cause_group": schema.CAUSE_GROUPS[stop.cause],
                "basis": stop.basis,
                "code": stop.code,
                "text": stop.text,
                "consequences": len(stop.consequences),
                "consequence_codes": ",".join(stop.consequences) or None,
                "minor": self.is_minor(stop),
                "night_ending": id(stop) in ending,
                "open": stop.end is None,
                "job": self.job_at(stop.start),
                "named_by": None,
            }
            for stop in self.diary.stops
        ]

    def alarm_rows(self) -> list[Row]:
        """Rows of `alarms`."""
        signals = {signal.key: signal for signal in SIGNALS}
        ordered = sorted(self.diary.alarms, key=lambda alarm: (alarm.start, RANK[alarm.key]))
        return [
            {
                **self._head(alarm.start, alarm.end),
                "level": alarm.level,
                "component": signals[alarm.key].component,
                "type": signals[alarm.key].type,
                "code": alarm.code,
                "text": alarm.text,
                "cause": alarm.cause if alarm.cause in ALARMS else "other alarm",
                "stop": alarm.stop.start if alarm.stop else None,
                "first_out": alarm.first_out,
                "restated": False,
            }
            for alarm in ordered
        ]

    def changeover_rows(self) -> list[Row]:
        """Rows of `changeovers`."""
        return [
            {
                "machine": self.diary.machine,
                "from_job": one.from_job,
                "to_job": one.to_job,
                "start": one.start,
                "setting_start": one.setting_start,
                "end": one.end,
                "waiting_s": (one.setting_start - one.start) / SECOND,
                "working_s": (one.end - one.setting_start) / SECOND,
                "what_changed": _differences(JOBS[one.from_job], JOBS[one.to_job]),
            }
            for one in self.diary.changeovers
        ]


def _last(told: list[Any], at: float) -> Any:
    """The last of what was told up to an instant; the first before anything was."""
    lo, hi = 0, len(told)
    while lo < hi:
        mid = (lo + hi) // 2
        lo, hi = (mid + 1, hi) if told[mid][0] <= at else (lo, mid)
    return told[max(0, lo - 1)]


def _within(stretches: list[Stretch], at: float) -> bool:
    if not stretches:
        return False
    start, end = _last(stretches, at)
    return start <= at < end


def _differences(old: Job, new: Job) -> str:
    pairs = {
        "diameter": old.diameter_mm != new.diameter_mm,
        "material": old.material != new.material,
        "section": old.section != new.section,
        "feed mode": old.feed_mode != new.feed_mode,
        "part": old.name != new.name,
    }
    return ", ".join(name for name, differs in pairs.items() if differs)


def frame(rows: list[Row], table: schema.Table) -> pl.DataFrame:
    """Rows as a table: instants from milliseconds, columns in schema order."""
    columns = {
        name: [row[name] for row in rows] if rows else []
        for name, column in table.columns.items()
    }  # fmt: skip
    series = []
    for name, column in table.columns.items():
        if column.dtype == schema.INSTANT:
            micros = [None if value is None else round(value * 1000) for value in columns[name]]
            series.append(pl.Series(name, micros, pl.Int64).cast(pl.Datetime("us")).dt.replace_time_zone("UTC"))
        else:
            series.append(pl.Series(name, columns[name], column.dtype, strict=False))
    return pl.DataFrame(series)

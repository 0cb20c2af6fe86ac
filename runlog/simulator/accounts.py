"""The truth of shifts: sums over intersections of what was played out with the planned hours."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from runlog import schema
from runlog.simulator import hours
from runlog.simulator.diary import Diary, Stop, Times
from runlog.simulator.hours import SECOND, Shift, Stretch
from runlog.simulator.plans import pri_s
from runlog.simulator.shop import JOBS
from runlog.simulator.truth import Row, Truth, covered

Cell = tuple[int, str]
"""Number of the shift, and job."""
Pairs = tuple[Times, Times]


@dataclass
class Windows:
    """Stretches in order, each of one shift and job."""

    starts: Times
    ends: Times
    cells: list[Cell]

    def seconds(self, starts: Times, ends: Times) -> dict[Cell, float]:
        """How much of these stretches falls into each cell. [s]"""
        lengths = covered(starts, ends, self.ends) - covered(starts, ends, self.starts)
        return self._summed(lengths / SECOND)

    def lengths(self) -> dict[Cell, float]:
        """Seconds of each cell. [s]"""
        return self._summed((self.ends - self.starts) / SECOND)

    def _summed(self, values: Times) -> dict[Cell, float]:
        sums: dict[Cell, float] = defaultdict(float)
        for cell, value in zip(self.cells, values.tolist(), strict=True):
            sums[cell] += value
        return sums

    def counts(self, at: Sequence[float]) -> dict[Cell, int]:
        """How many instants fall into each cell."""
        return {cell: round(value) for cell, value in self.sums([(one, 1.0) for one in at]).items()}

    def sums(self, valued: Sequence[tuple[float, float]]) -> dict[Cell, float]:
        """Values summed by the cell their instant falls into."""
        found: dict[Cell, float] = defaultdict(float)
        times = np.array([at for at, _ in valued], float)
        number = np.searchsorted(self.starts, times, "right") - 1
        for one, (time, value) in zip(number.tolist(), valued, strict=True):
            if one >= 0 and time < self.ends[one]:
                found[self.cells[one]] += value
        return found


class Accounts:
    """Shift figures and losses of one machine.

    Parameters
    ----------
    truth : Truth
        The machine.
    since, now : int
        First event and latest horizon of the whole shop: a shift still running counts up to `now`. [ms]
    """

    def __init__(self, truth: Truth, since: int, now: int) -> None:
        self.truth, self.now = truth, now
        horizon = truth.horizon
        self.shifts = [shift for shift in truth.shifts if shift.end > since and shift.start < now]
        stretches = [(n, piece) for n, shift in enumerate(self.shifts) for piece in self._planned(shift)]
        self.plan = self._by_job(stretches)
        rest = hours.without([(truth.start, horizon)], [piece for _, piece in stretches])
        self.off = self._by_job([(n, piece) for piece in rest for n, piece in self._of_shifts(piece)])

    def _planned(self, shift: Shift) -> list[Stretch]:
        holes = [*shift.closed, *(shift.breaks if self.truth.kind.stops_for_breaks else ())]
        return hours.without([(shift.start, min(shift.end, self.now))], holes)

    def _of_shifts(self, piece: Stretch) -> list[tuple[int, Stretch]]:
        """An unplanned stretch belongs to the latest shift begun before it; before the first, to none."""
        starts = [shift.start for shift in self.shifts]
        edges = [piece[0], *(at for at in starts if piece[0] < at < piece[1]), piece[1]]
        numbered = ((int(np.searchsorted(starts, a, "right")) - 1, (a, b)) for a, b in pairwise(edges))
        return [(number, part) for number, part in numbered if number >= 0]

    def _by_job(self, stretches: list[tuple[int, Stretch]]) -> Windows:
        jobs = self.truth.diary.jobs
        changes = [at for at, _ in jobs[1:]]
        found: list[tuple[int, int, Cell]] = []
        for number, (a, b) in stretches:
            edges = [a, *(at for at in changes if a < at < b), b]
            found += [(one, other, (number, self.truth.job_at(one))) for one, other in pairwise(edges)]
        found.sort()
        starts, ends = np.array([a for a, *_ in found], float), np.array([b for _, b, _ in found], float)
        return Windows(starts, ends, [cell for *_, cell in found])

    def _spans(self, *kinds: str, minor: bool | None = None, cause: str | None = None) -> Pairs:
        held = [
            (span.start, span.end)
            for span in self.truth.spans
            if span.kind in kinds
            and (minor is None or (span.stop is not None and self.truth.is_minor(span.stop) == minor))
            and (cause is None or (span.stop is not None and span.stop.cause == cause))
        ]
        return np.array([a for a, _ in held], float), np.array([b for _, b in held], float)

    def _delays(self) -> Pairs:
        """Stops while there was something to make."""
        idle = schema.NO_ORDER_GROUPS
        held = [
            (span.start, span.end)
            for span in self.truth.spans
            if span.kind == "stopped" and (span.stop is None or schema.CAUSE_GROUPS[span.stop.cause] not in idle)
        ]
        return np.array([a for a, _ in held], float), np.array([b for _, b in held], float)

    def figure_rows(self) -> list[Row]:
        """Rows of `shift_figures`."""
        columns = self._seconds() | self._counts()
        cells = sorted(self.plan.lengths().keys() | columns["off_plan_parts"].keys() | columns["off_plan_s"].keys())
        return [self._row(cell, columns) for cell in cells]

    def _row(self, cell: Cell, columns: dict[str, dict[Cell, float]]) -> Row:
        shift, job = self.shifts[cell[0]], JOBS[cell[1]]
        row: Row = {name: values.get(cell, 0) for name, values in columns.items()}
        # What no span tells of: planned time before the first event or past the horizon.
        told = sum(
            row[name] for name in ("producing_s", "reload_s", "setting_s", "stopped_s", "minor_stops_s", "no_signal_s")
        )
        row["no_signal_s"] += round(row["pbt_s"] - told, 6)
        row["reload_overrun_s"] = row["reload_s"] - row["reload_planned_s"]
        row["adet_s"] = row["reload_overrun_s"] + row["delayed_s"]
        row["apt_s"] = row["producing_s"] + row["reload_planned_s"]
        for spindle, told_of in self._measured().items():
            row[spindle] = row[spindle] if told_of else None
        return row | {
            "machine": self.truth.diary.machine,
            "shift_date": shift.day,
            "shift": shift.name,
            "job": job.name,
            "attended": shift.attended,
            "shift_start": shift.start,
            "shift_end": shift.end,
            "pri_s": pri_s(self.truth, job),
            "pri_basis": "job",
            "good_parts": row["good_parts"] if self.truth.kind.quality else None,
        }

    def _measured(self) -> dict[str, bool]:
        kind = self.truth.kind
        sub = kind.rotary and "sub" in kind.spindles
        return {"main_turning_s": kind.rotary, "sub_turning_s": sub, "both_turning_s": sub}

    def _seconds(self) -> dict[str, dict[Cell, float]]:
        reloads = self.truth.diary.reloads
        starts = np.array([one.start for one in reloads], float)
        ends = np.array([min(one.end or 10**15, one.start + one.planned_s * SECOND) for one in reloads], float)
        turning = {name: _turning(self.truth.diary, name) for name in ("main", "sub")}
        within = self.plan.seconds
        return {
            "pbt_s": self.plan.lengths(),
            "producing_s": within(*self._spans("producing")),
            "reload_s": within(*self._spans("reloading")),
            "reload_planned_s": within(starts, np.minimum(ends, self.truth.horizon)),
            "setting_s": within(*self._spans("setting")),
            "stopped_s": within(*self._spans("stopped", minor=False)),
            "minor_stops_s": within(*self._spans("stopped", minor=True)),
            "delayed_s": within(*self._delays()),
            "no_signal_s": within(*self._spans("no signal")),
            "main_turning_s": within(*turning["main"]),
            "sub_turning_s": within(*turning["sub"]),
            "both_turning_s": within(*_both(*turning["main"], *turning["sub"])),
            "off_plan_s": {cell: s for cell, s in self.off.seconds(*self._spans("producing")).items() if s > 0},
        }

    def _counts(self) -> dict[str, dict[Cell, float]]:
        counts, sums, truth = self.plan.counts, self.plan.sums, self.truth
        made = [part for part in truth.parts if not part.setting]
        rated = [one for one in truth.diary.reloads if not one.hand_load and one.outcome is not None]
        stops = truth.diary.stops
        long = [stop for stop in stops if not truth.is_minor(stop)]
        brought = [one for one in rated if one.outcome in schema.BROUGHT_OUTCOMES]
        failures = [stop for stop in long if schema.CAUSE_GROUPS[stop.cause] not in schema.NOT_FAILURE_GROUPS]
        told = {
            "parts": counts([part.at for part in made]),
            "good_parts": counts([part.at for part in made if part.good]),
            "parts_unseen": counts([part.at for part in made if part.unseen]),
            "setting_parts": counts([part.at for part in truth.parts if part.setting]),
            "reloads": counts([one.start for one in rated if one.outcome not in schema.UNRATED_OUTCOMES]),
            "reload_faults": counts([one.start for one in rated if one.outcome in schema.FAULT_OUTCOMES]),
            "reloads_unrated": counts([one.start for one in rated if one.outcome in schema.UNRATED_OUTCOMES]),
            "reloads_timed": counts([one.start for one in brought]),
            "reloads_timed_s": sums([(one.start, ((one.end or 0) - one.start) / SECOND) for one in brought]),
            "reloads_timed_planned_s": sums([(one.start, one.planned_s) for one in brought]),
            "stops": counts([stop.start for stop in long]),
            "minor_stops": counts([stop.start for stop in stops if truth.is_minor(stop)]),
            "failures": counts([stop.start for stop in failures]),
            "failures_s": sums([(stop.start, self._stood_s(stop)) for stop in failures]),
            "off_plan_parts": self.off.counts([part.at for part in made]),
        }
        return {name: dict(values) for name, values in told.items()}

    def load_rows(self) -> list[Row]:
        """Rows of `shift_loads`."""
        told = self.truth.diary.loads
        found: list[Row] = []
        for load in sorted({value for value, *_ in told}):
            pairs = _heard(self.truth.diary, [(on, off) for value, on, off in told if value == load])
            found += [
                {
                    "machine": self.truth.diary.machine,
                    "shift_date": self.shifts[cell[0]].day,
                    "shift": self.shifts[cell[0]].name,
                    "job": cell[1],
                    "component": "main",
                    "load": load,
                    "seconds": seconds,
                }
                for cell, seconds in sorted(self.plan.seconds(*pairs).items())
                if seconds > 0
            ]
        return found

    def _stood_s(self, stop: Stop) -> float:
        """How long a stop stood, lost signal left out; what lies before the first shift belongs to none. [s]"""
        since = self.shifts[0].start
        spans = [span for span in self.truth.spans if span.stop is stop and span.kind == "stopped"]
        return sum(max(0, span.end - max(span.start, since)) for span in spans) / SECOND

    def loss_rows(self) -> list[Row]:
        """Rows of `shift_losses`."""
        rows: list[Row] = []
        for loss, minor in (("stops", False), ("minor stops", True)):
            stops = [stop for stop in self.truth.diary.stops if self.truth.is_minor(stop) == minor]
            for cause in sorted({stop.cause for stop in stops}):
                seconds = self.plan.seconds(*self._spans("stopped", minor=minor, cause=cause))
                counts = self.plan.counts([stop.start for stop in stops if stop.cause == cause])
                rows += [
                    {
                        "machine": self.truth.diary.machine,
                        "shift_date": self.shifts[cell[0]].day,
                        "shift": self.shifts[cell[0]].name,
                        "job": cell[1],
                        "loss": loss,
                        "cause": cause,
                        "seconds": seconds.get(cell, 0.0),
                        "count": counts.get(cell, 0),
                    }
                    for cell in sorted(seconds.keys() | counts.keys())
                    if seconds.get(cell, 0.0) > 0 or counts.get(cell, 0) > 0
                ]
        return rows


def _turning(diary: Diary, spindle: str) -> Pairs:
    """When a spindle turned, as far as that could be heard; in order."""
    return _heard(diary, diary.turning[spindle])


def _heard(diary: Diary, pieces: list[Pairs]) -> Pairs:
    """Stretches in order, less the time without a signal."""
    if not pieces:
        return np.array([]), np.array([])
    on, off = np.concatenate([a for a, _ in pieces]), np.concatenate([b for _, b in pieces])
    there = off > on
    on, off = on[there], off[there]
    order = np.argsort(on)
    on, off = on[order], off[order]
    dark = diary.dark
    if not dark:
        return on.astype(float), off.astype(float)
    blind = np.array([a for a, _ in dark], float), np.array([b for _, b in dark], float)
    whole = np.array([min(on.min(), blind[0][0]) - 1.0]), np.array([max(off.max(), blind[1][-1]) + 1.0])
    light = np.concatenate([whole[0], blind[1]]), np.concatenate([blind[0], whole[1]])
    return _both(on.astype(float), off.astype(float), *light)


def _both(on: Times, off: Times, other_on: Times, other_off: Times) -> Pairs:
    """The stretches common to two ordered lists of disjoint stretches."""
    if len(on) == 0 or len(other_on) == 0:
        return np.array([]), np.array([])
    edges = np.unique(np.concatenate([on, off, other_on, other_off]))
    middle = (edges[1:] + edges[:-1]) / 2
    held = _inside(on, off, middle) & _inside(other_on, other_off, middle)
    return edges[:-1][held], edges[1:][held]


def _inside(on: Times, off: Times, at: Times) -> Times:
    number = np.searchsorted(on, at, "right") - 1
    return (number >= 0) & (at < off[np.maximum(number, 0)])

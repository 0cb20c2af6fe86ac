"""One invented turning centre: its cycles, drawn a bar at a time, and who comes when it stands.

Between two handlers the machine is always at the same point: a part has just been counted, or a cycle
has just begun (`running`), and the next cycle starts at `begin`.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import time, timedelta

import numpy as np

from runlog.simulator import hours
from runlog.simulator.diary import Bar, Diary, Parts, Stop
from runlog.simulator.hours import HOUR, MINUTE, SECOND, Stretch
from runlog.simulator.shop import JOBS, Job, Profile, signals_of

SPINDLE_ON_MS = 1500
IDLE_LOAD = 4
"""Load of a spindle that turns and does not cut. [%]"""
CUTTING_AFTER_MS = 9_500
CUTTING_ENDS_MS = 2500
SHORT_REST_MS = 25 * SECOND


def parts_per_bar(job: Job, kind: Profile, bar_mm: float) -> int:
    """Parts that a bar of this length gives."""
    minimum = max(kind.minimum_remnant_mm, job.minimum_remnant_mm or 0)
    return int(min((bar_mm - job.top_cut_mm - minimum) // job.pitch_mm, job.parts_per_bar or 10**6))


@dataclass
class Lathe:
    """A machine and where it stands.

    Attributes
    ----------
    attended : list of (int, int)
        When somebody is planned to be there. [ms]
    calm : list of (int, int)
        When nothing but what was planted happens. [ms]
    """

    kind: Profile
    diary: Diary
    rng: np.random.Generator
    start: int
    end: int
    attended: list[Stretch]
    calm: list[Stretch] = field(default_factory=list)
    chronic: bool = False
    drifts: bool = False
    may_order: bool = True

    def __post_init__(self) -> None:
        self.keys = {signal.key for signal in signals_of(self.kind)}
        self.looping = self.kind.style == "looping"
        self.lead = 0 if self.looping else self.kind.count_lead_ms
        self.counts = {"parts": 0, "parts_good": 0, "parts_bad": 0}
        self.job = JOBS[self.kind.jobs[0]]
        self.begin = self.start
        self.resumed = self.start
        self.last_count = self.start
        self.running = True
        self.pending = False
        self.setting = False
        self.force_good = False
        self.rest_ms: int | None = None
        self.extra_ms = 0
        self.magazine = self.kind.bars_held
        self.lots = 0
        self.order_left: int | None = None
        self.ordered: dict[str, int] = {}
        self.bar: Bar | None = None
        self.end_of_bar_said = False
        self.lost_part = False
        self.left = 0

    # --- small words ---------------------------------------------------------------------------

    def between(self, least: float, most: float) -> int:
        """A random number of milliseconds."""
        return int(self.rng.integers(int(least), int(most)))

    def chance(self, probability: float) -> bool:
        """True so often."""
        return bool(self.rng.random() < probability)

    @property
    def cycle_ms(self) -> int:
        """The job's cycle. [ms]"""
        return int(self.job.cycle_s * SECOND)

    @property
    def planned_ms(self) -> int:
        """The planned reload: the job's, else the feeder's. [ms]"""
        return int((self.job.planned_reload_s or self.kind.planned_reload_s) * SECOND)

    def say(self, at: int, key: str, value: object) -> None:
        """Into the log, if this machine logs it."""
        if key in self.keys:
            self.diary.say(at, key, value)

    def is_calm(self, at: int) -> bool:
        """Nothing unplanned may happen now."""
        return any(a <= at < b for a, b in self.calm)

    def attended_at(self, at: int, spare: int = 0) -> bool:
        """Somebody is planned to be there now and for a while longer."""
        return any(a <= at and at + spare < b for a, b in self.attended)

    def comes_at(self, at: int, least: int = 2 * MINUTE) -> int:
        """When somebody comes to a machine that stopped at this instant."""
        if at > self.end - 55 * MINUTE:
            return at + max(least, self.between(3 * MINUTE, 12 * MINUTE))
        if self.attended_at(at, 20 * MINUTE):
            return at + least + self.between(0, 12 * MINUTE)
        now = hours.clock(at)
        if 22 <= now.hour < 23 and self.chance(0.15):
            return at + least + self.between(15 * MINUTE, 55 * MINUTE)
        last_morning = self.end - self.between(20 * MINUTE, 50 * MINUTE)
        return max(at + least, min(self._next_duty(at + least), last_morning))

    def _next_duty(self, at: int) -> int:
        day = hours.clock(at).date() - timedelta(days=1)
        while True:
            weekend = day.weekday() >= 5
            first = hours.local(day, time(20, 30) if weekend else time(6, 0))
            comes = first + self.between(4 * MINUTE, (40 if weekend else 45) * MINUTE)
            if comes > at:
                return comes
            day += timedelta(days=1)

    # --- bars ------------------------------------------------------------------------------------

    def fill(self, at: int) -> None:
        """Fill the magazine; where bars are noted, note it."""
        self.magazine = self.kind.bars_held
        if self.kind.notes_bars:
            self.diary.note(at, "BARS_LOADED", self.magazine)
        if self.lots == 0 or self.chance(0.12):
            self.lots += 1
            self.diary.note(at, "BAR_LOT", f"{self.diary.machine[1:]}-{self.lots:03d}")

    def new_bar(self, loaded_at: int, said_at: int | None) -> None:
        """A bar is in the spindle; its length is logged at `said_at` by a machine that measures."""
        self.magazine = max(0, self.magazine - 1)
        length = self.job.bar_mm + round(float(self.rng.uniform(-0.8, 0.8)), 1)
        measured = None
        if self.kind.measures and said_at is not None:
            measured = length
            self.say(said_at, "length", length)
            self.say(said_at, "length_left", length)
        short = 0 if self.is_calm(loaded_at) or not self.chance(0.012) else 1
        self.left = parts_per_bar(self.job, self.kind, length) - short
        self.lost_part = bool(short)
        self.extra_ms = 2500
        self.end_of_bar_said = False
        self.bar = Bar(loaded_at, self.job.name, measured)
        self.diary.bars.append(self.bar)

    # --- cycles ----------------------------------------------------------------------------------

    def rest(self, word: str | None = None) -> None:
        """Say how the last cycle ended, if that was not said yet; a looping program says it only when asked."""
        if self.looping and word is not None and self.running:
            self.say(self.rest_at, "exec", word)
            self.running = False
        elif self.pending:
            usual = "PROGRAM_COMPLETED" if self.kind.style == "completed" else "READY"
            self.say(self.rest_at, "exec", usual if self.kind.style == "completed" else word or usual)
        self.pending = False

    @property
    def rest_at(self) -> int:
        """When the machine leaves ACTIVE after the last part."""
        return self.last_count + (300 if self.looping else self.lead)

    def produce(self, limit: int, most: int = 10**6) -> int:
        """Draw the cycles from `begin` on whose parts are counted before `limit`; returns how many."""
        self.rest()
        n = min(self.left, most, self.still_ordered())
        if n <= 0:
            return 0
        active, gaps = self._cycles(n)
        counted = self.begin + np.cumsum(active + gaps) - gaps
        k = int(np.searchsorted(counted, limit))
        if k == 0:
            return 0
        counted, active, gaps = counted[:k], active[:k], gaps[:k]
        starts = counted - active
        self._say_states(starts, counted)
        self._say_spindles(starts, counted, active)
        self.left -= k
        self.count(counted)
        if self.left == 0 and not self.end_of_bar_said and not self.order_done() and self.chance(0.5):
            self.say(int(starts[-1] + 0.4 * active[-1]), "end_of_bar", "YES")
            self.end_of_bar_said = True
        self.begin = int(counted[-1] + gaps[-1])
        self.running = self.looping
        self.pending = not self.looping
        self.rest_ms, self.extra_ms = None, 0
        return k

    def still_ordered(self) -> int:
        if self.setting:
            return 10**6
        if self.order_left is not None:
            return self.order_left
        quantity = self.job.order_quantity
        return 10**6 if quantity is None else quantity - self.ordered.get(self.job.name, 0)

    def order_done(self) -> bool:
        """As many parts were made as were ordered."""
        return self.still_ordered() <= 0

    def _cycles(self, n: int) -> tuple[np.ndarray, np.ndarray]:
        # ACTIVE time stays under the job's cycle on most cycles: the measured median is never the larger.
        scatter = self.rng.uniform(0.992, 0.9995, n)
        scatter = np.where(self.rng.random(n) < 0.06, self.rng.uniform(1.01, 1.08, n), scatter)
        total = (self.cycle_ms * scatter).astype(np.int64)
        gaps = np.zeros(n, np.int64) if self.looping else self.rng.integers(2000, 5000, n)
        active = total - gaps
        active[0] = self.rest_ms if self.rest_ms is not None else active[0] + self.extra_ms
        return active, gaps

    def _say_states(self, starts: np.ndarray, counted: np.ndarray) -> None:
        first = 1 if self.running else 0
        if self.looping:
            if not self.running:
                self.say(int(starts[0]), "exec", "ACTIVE")
            return
        word = "PROGRAM_COMPLETED" if self.kind.style == "completed" else "READY"
        self.diary.say_many(starts[first:], "exec", "ACTIVE")
        self.diary.say_many(counted[:-1] + self.lead, "exec", word)

    def _say_spindles(self, starts: np.ndarray, counted: np.ndarray, active: np.ndarray) -> None:
        if "s1" in self.keys:
            self.turn("main", starts + SPINDLE_ON_MS, counted - 1500)
        if "s2" in self.keys:
            self.turn("sub", starts + (0.55 * active).astype(np.int64), counted - 1000)

    def speed(self, spindle: str) -> int:
        """Speed of a spindle while it turns. [rev/min]"""
        return int(60_000 / self.job.diameter_mm) if spindle == "main" else 1200

    def turn(self, spindle: str, on: np.ndarray, off: np.ndarray) -> None:
        """A spindle turns from `on` to `off`."""
        key = "s1" if spindle == "main" else "s2"
        if key not in self.keys:
            return
        self.diary.say_many(on, key, self.speed(spindle))
        self.diary.say_many(off, key, 0)
        self.diary.turning[spindle].append((on, off))
        if spindle == "main" and "load1" in self.keys:
            self._load(on, off)

    @property
    def cutting_load(self) -> int:
        """Load of the main spindle while it cuts. [%]"""
        return 20 + round(self.job.diameter_mm)

    def _load(self, on: np.ndarray, off: np.ndarray) -> None:
        """The main spindle idles, cuts, and idles again before it stands."""
        begins = np.minimum(on + CUTTING_AFTER_MS, off)
        ends = np.maximum(off - CUTTING_ENDS_MS, begins)
        for at, value in ((on, IDLE_LOAD), (begins, self.cutting_load), (ends, IDLE_LOAD), (off, 0)):
            self.diary.say_many(at, "load1", value)
        self.diary.loads += [(IDLE_LOAD, on, begins), (self.cutting_load, begins, ends), (IDLE_LOAD, ends, off)]

    def count(self, at: np.ndarray, unseen: np.ndarray | None = None) -> None:
        """Parts are counted: as seen one by one, or in one go at the last instant if `unseen` is given."""
        seen = at if unseen is None else at[-1:]
        step = 1 if unseen is None else len(at)
        good = None
        if self.kind.quality:
            good = np.full(len(at), not self.setting) if self.setting or self.force_good else self._quality(len(at))
            for key, which in (("parts_good", good), ("parts_bad", ~good)):
                self._raise_counter(key, seen[which], 1)
        self._raise_counter("parts", seen, step)
        if self.kind.evidence == "remaining":
            self.diary.say_many(seen, "bar_left", self.left + np.arange(len(seen))[::-1])
        if not self.setting:
            self._deliver(seen, len(at))
        program = self.diary.programs[-1][1]
        self.diary.parts.append(Parts(at, self.job.name, program, self.setting, good, unseen))
        self.last_count = int(at[-1])

    def _quality(self, n: int) -> np.ndarray:
        return self.rng.random(n) > 0.012

    def _raise_counter(self, key: str, at: np.ndarray, step: int) -> None:
        if key in self.keys and len(at):
            self.diary.say_many(at, key, self.counts[key] + step * np.arange(1, len(at) + 1))
            self.counts[key] += step * len(at)

    def _deliver(self, seen: np.ndarray, n: int) -> None:
        self.ordered[self.job.name] = self.ordered.get(self.job.name, 0) + n
        if self.order_left is not None:
            self.order_left -= n
            self.diary.say_many(seen, "order_left", self.order_left + np.arange(len(seen))[::-1])

    def cut_short(self, phase: float, *, spindle_until: int | None = None) -> int:
        """Begin a cycle that does not get to its part; returns the instant where it is cut."""
        self.rest()
        if not self.running:
            self.say(self.begin, "exec", "ACTIVE")
            self.running = True
        whole = self.rest_ms if self.rest_ms is not None else self.cycle_ms - 5000
        cut = self.begin + int(phase * whole)
        on, off = self.begin + SPINDLE_ON_MS, cut if spindle_until is None else self.begin + spindle_until
        if off - on > 2 * SECOND:
            self.turn("main", np.array([on]), np.array([off]))
        self.rest_ms = max(SHORT_REST_MS, whole - (cut - self.begin))
        return cut

    # --- standing and going on -------------------------------------------------------------------

    def resume(self, at: int) -> None:
        """The program goes on."""
        self.say(at, "exec", "ACTIVE")
        self.diary.mark(at, "producing")
        self.begin = self.resumed = at
        self.running = True

    def see(self, at: int, key: str, value: str) -> None:
        """Something that shows that somebody is there."""
        self.say(at, key, value)
        self.diary.evidence.append(at)

    def mend(self, comes: int, work: Callable[[int], None] | None = None, *, quick: bool = False) -> None:
        """Somebody comes, puts it right in MANUAL and starts the program again."""
        goes_on = comes + self.between(90 * SECOND, 4 * MINUTE if quick else 15 * MINUTE)
        half = comes + (goes_on - comes) // 2
        if self.diary.last.get("exec") == "ACTIVE":
            self.say(comes - 3 * SECOND, "exec", "STOPPED")
        self.see(comes, "door", "OPEN")
        self.see(comes + 4 * SECOND, "mode", "MANUAL")
        self.diary.clear_alarms(half)
        if self.diary.last.get("exec") != "READY":
            self.say(half + 500, "exec", "READY")
        if work is not None:
            work(comes + 10 * SECOND)
        self._start_again(goes_on)

    def _start_again(self, at: int) -> None:
        self.say(at - 12 * SECOND, "door", "CLOSED")
        self.see(at - 5 * SECOND, "mode", "AUTOMATIC")
        self.resume(at)

    def stands(self, at: int, cause: str, basis: str) -> Stop:
        """The machine stops here."""
        stop = Stop(at, cause, basis)
        self.diary.mark(at, "stopped", stop)
        self.running = False
        return stop

    def black_out(self, start: int, end: int, keep: tuple[str, ...] = ()) -> None:
        """No signal from start to end; afterwards everything but `keep` is told again."""
        told = dict(self.diary.last)
        for key, value in told.items():
            self.say(start, key, "UNAVAILABLE")
            if key not in keep:
                self.say(end, key, value)
        for key in ("system", "logic", "feeder_cond"):
            self.diary.conditions += [(start, key, "UNAVAILABLE", None, None), (end, key, "NORMAL", None, None)]
        self.diary.dark.append((start, end))

    # --- the whole of it -------------------------------------------------------------------------

    def open(self) -> None:
        """First values of everything; the machine is in the middle of a bar."""
        first: dict[str, object] = {
            "avail": "AVAILABLE", "estop": "ARMED", "mode": "AUTOMATIC", "program": self.job.program,
            "door": "CLOSED", "operator": "0", "parts": 0, "parts_good": 0, "parts_bad": 0,
            "end_of_bar": "NO", "change": "READY", "length": self.job.bar_mm, "length_left": self.job.bar_mm,
            "s1": 0, "s2": 0, "load1": 0, "exec": "ACTIVE",
        }  # fmt: skip
        whole = parts_per_bar(self.job, self.kind, self.job.bar_mm)
        self.left = int(self.rng.integers(5, whole))
        first["bar_left"] = self.left
        if self.kind.order_counter:
            self.order_left = int(self.rng.integers(900, 2000))
            first["order_left"] = self.order_left
        for key, value in first.items():
            self.say(self.start, key, value)
        for key in ("system", "logic", "feeder_cond"):
            self.diary.conditions.append((self.start, key, "NORMAL", None, None))
        self.diary.mark(self.start, "producing")
        self.diary.programs.append((self.start, self.job.program))
        self.diary.jobs.append((self.start, self.job.name))
        self.note_setup(self.start + 30 * SECOND)

    def note_setup(self, at: int) -> None:
        """What is set up for this job: bars, lot, liner, pusher."""
        self.fill(at)
        self.diary.note(at, "LINER", f"L{self.job.diameter_mm + 4:g}")
        self.diary.note(at, "PUSHER", f"P{self.job.diameter_mm - 2:g}")

    def close(self) -> None:
        """The log ends in the midst of a cycle, with every machine at work."""
        self.rest()
        if not self.running:
            self.say(self.begin, "exec", "ACTIVE")
        self.diary.horizon = self.begin + 2 * SECOND
        warm_from, warm_to = self.start + 5 * MINUTE, self.diary.horizon
        at = np.append(np.arange(warm_from, warm_to - MINUTE, 10 * MINUTE), warm_to)
        dark = np.zeros(len(at), bool)
        for a, b in self.diary.dark:
            dark |= (at >= a - SECOND) & (at <= b + SECOND)
        at = at[~dark]
        # Every value differs from the one before, so that the log is never silent for long.
        warmth = 22 + 3 * np.sin(at / (4 * HOUR)) + np.where(np.arange(len(at)) % 2, 0.3, 0.0)
        self.diary.say_many(at, "coolant_temp", np.round(warmth, 1))

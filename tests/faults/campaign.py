"""Kill a watcher again and again while its logs grow, turn and vanish: `python tests/faults/campaign.py --kills 200`.

A real watcher process is killed (SIGKILL) at random instants and started again. Most kills are timed from a sign that
it is at work: the line it prints when it begins, what its heartbeat says, a change in the folder of the store.
Meanwhile happens to its logs what `mishaps` knows. In the end it may look once in peace; then its tables must equal a
clean read of everything (`compared`).

Prints a table; exit code 1 if anything differs, if a watcher told of a fault of its own, or if fewer kills than asked
for were done in time. The same seed lets the same happen to each log, in the same order; what a kill hits also depends
on the computer.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import polars as pl
from faults.compared import Difference, compared
from faults.mishaps import Floor
from faults.stories import SITE

from runlog.pipeline import ingest
from runlog.site import parse_site
from runlog.store import Store, heartbeat
from runlog.store.heartbeat import DERIVING

AT_WORK = ("reading", DERIVING)
_TICK_S = 0.005
_LIFE_AT_MOST_S = 60.0
"""A watcher that gives no sign for so long is killed wherever it is. [s]"""
_LOOK_WITHIN_S = 600.0


@dataclass(frozen=True)
class Result:
    """What a campaign found.

    Attributes
    ----------
    asked, kills : int
        How often the watcher was to be killed, and was.
    hit : Counter of str
        What it was at when it was killed: by its heartbeat's last word, `not begun` before the first.
    behind : int
        Kills that left facts behind which were older than the events.
    files, deleted : int
        Files of the clean read; those of them that were deleted for good after they had been read.
    difference : Difference
        The watcher's tables against the clean read.
    complaints : list of str
        What watchers told of faults of their own.
    looks_again : int
        Files that a second look in peace read: 0, as all was read.
    seconds : float
        How long it took. [s]
    """

    asked: int
    kills: int
    hit: Counter[str]
    behind: int
    files: int
    deleted: int
    difference: Difference
    complaints: list[str]
    looks_again: int
    seconds: float

    @property
    def at_work(self) -> int:
        """Kills that hit a watcher while it read, kept or derived."""
        return sum(self.hit[what] for what in AT_WORK)

    @property
    def is_good(self) -> bool:
        """Whether all kills were done and nothing differs."""
        # That a second look read something again costs time, and loses and doubles nothing: it is shown, no more.
        whole = self.kills == self.asked and not self.complaints
        return whole and self.difference.is_none

    def table(self) -> str:
        """A line for each figure."""
        found = self.difference
        rows = {
            "kills": f"{self.kills} of {self.asked}",
            "  at work": f"{self.at_work} ({self.at_work / max(1, self.kills):.0%})",
            **{f"  {what}": str(count) for what, count in self.hit.most_common()},
            "  facts left older than events": str(self.behind),
            "files": str(self.files),
            "  read, then deleted for good": str(self.deleted),
            "events": str(found.events),
            "  lost": str(found.lost),
            "  extra": str(found.extra),
            "rows stored": str(found.stored),
            "  repeated": str(found.repeated),
            "rejects lost, extra": f"{found.rejects_lost}, {found.rejects_extra}",
            "facts equal": "yes" if not found.facts else f"no: {', '.join(found.facts)}",
            "files read by a second look": str(self.looks_again),
            "faults told by watchers": str(len(self.complaints)),
            "seconds": f"{self.seconds:.0f}",
        }
        width = max(map(len, rows))
        return "\n".join(f"{name:<{width}}  {value}" for name, value in rows.items())


class Watcher:
    """One life of a watcher, from its start to its death."""

    def __init__(self, folder: Path) -> None:
        self._store = folder / "store"
        self._said = folder / "said.txt"
        self._born = time.monotonic()
        self._begun_at = self._said.stat().st_size if self._said.exists() else 0
        with self._said.open("ab") as said:
            self._process = subprocess.Popen(command(), cwd=folder, stdout=said, stderr=said)

    def said(self) -> str:
        """What it has told so far."""
        with self._said.open("rb") as said:
            said.seek(self._begun_at)
            return said.read().decode(errors="replace")

    def is_watching(self) -> bool:
        """Whether it told that it watches."""
        return "watching " in self.said()

    def doing(self) -> str:
        """What it is at by its heartbeat; `not begun` before the first."""
        beat = heartbeat.read(self._store)
        if beat is None or beat.pid != self._process.pid:
            return "not begun"
        return "reading" if beat.doing.startswith("reading") else beat.doing

    def is_at_work(self) -> bool:
        return self.doing() in AT_WORK

    def trace(self) -> tuple[int, ...]:
        """Changes whenever a table of the store gets a file."""
        tables = self._store.glob("*/_delta_log")
        return tuple(place.stat().st_mtime_ns for log in sorted(tables) for place in (log.parent, log))

    def is_old(self) -> bool:
        return time.monotonic() > self._born + _LIFE_AT_MOST_S

    def ended(self) -> bool:
        return self._process.poll() is not None

    def kill(self) -> None:
        """SIGKILL, wherever it is."""
        self._process.kill()
        self._process.wait()


class Campaign:
    """Kills, one after the other, while the floor goes on."""

    def __init__(self, seed: int, folder: Path) -> None:
        self._folder = folder
        self._rng = random.Random(seed)
        for name in ("logs", "attic"):
            (folder / name).mkdir()
        (folder / "site.toml").write_text(SITE)
        self._floor = Floor(folder / "logs", folder / "attic", seed)
        self._store = Store(folder / "store")
        self._step_s = 0.5
        self.hit: Counter[str] = Counter()
        self.behind = 0

    def kill_one(self) -> None:
        """One life of a watcher, to its violent end."""
        aims = {self._anywhere: 2, self._watching: 3, self._working: 9, self._writing: 5, self._after_long: 1}
        aim = self._rng.choices([*aims], [*aims.values()])[0]
        watcher = Watcher(self._folder)
        try:
            aim(watcher)
            if watcher.ended():
                raise RuntimeError(f"a watcher ended by itself: {watcher.said()}")
        finally:
            watcher.kill()
        self.hit[watcher.doing()] += 1
        if self._store.exists():
            self.behind += not self._store.facts_are_current()
            read = self._store.progress().group_by("path").agg(pl.col("offset").max()).collect()
            self._floor.tidy(dict(read.iter_rows()))

    def finish(self) -> int:
        """Let it look in peace, twice; how many files the second look read."""
        self._floor.finish()
        _look(self._folder)
        before = self._store.version()
        said = _look(self._folder)
        return len([line for line in said.splitlines() if line.strip()]) if self._store.version() != before else 0

    def difference(self) -> tuple[Difference, int]:
        """The store against a clean read of everything there was, and how many files that were."""
        clean = Store(self._folder / "clean")
        paths = [self._folder / "logs", self._folder / "attic"]
        report = ingest(paths, parse_site(SITE), clean, base=self._folder)
        assert not report.skipped, report.skipped
        return compared(self._store, clean), len(report.progress) + len(report.unchanged)

    @property
    def deleted(self) -> int:
        return self._floor.deleted

    # --- when to kill --------------------------------------------------------------------------------

    def _anywhere(self, watcher: Watcher) -> None:
        self._go_on(watcher, self._rng.uniform(0, 2.5))

    def _watching(self, watcher: Watcher) -> None:
        self._until(watcher, watcher.is_watching)
        self._go_on(watcher, self._rng.uniform(0, 1.5))

    def _working(self, watcher: Watcher) -> None:
        """At an instant of its first, second or third step."""
        for _ in range(self._rng.choice([0, 0, 0, 0, 1, 1, 2])):
            self._until(watcher, watcher.is_at_work)
            begun = time.monotonic()
            self._until(watcher, lambda: not watcher.is_at_work())
            self._step_s = 0.8 * self._step_s + 0.2 * (time.monotonic() - begun)
        self._until(watcher, watcher.is_at_work)
        self._go_on(watcher, self._rng.uniform(0, self._step_s))

    def _writing(self, watcher: Watcher) -> None:
        """Shortly after one of the changes that a step makes in the store."""
        self._until(watcher, watcher.is_watching)
        for _ in range(self._rng.randint(1, 12)):
            before = watcher.trace()
            self._until(watcher, lambda before=before: watcher.trace() != before)
        self._go_on(watcher, self._rng.uniform(0, 0.03))

    def _after_long(self, watcher: Watcher) -> None:
        self._go_on(watcher, self._rng.uniform(8, 14))

    def _until(self, watcher: Watcher, sign: Callable[[], bool]) -> None:
        while not watcher.ended() and not watcher.is_old() and not sign():
            self._go_on(watcher, _TICK_S)

    def _go_on(self, watcher: Watcher, seconds: float) -> None:
        """Let things happen to the logs for so long."""
        until = time.monotonic() + seconds
        while (now := time.monotonic()) < until and not watcher.ended():
            self._floor.step(now)
            time.sleep(max(0.0, min(_TICK_S, until - time.monotonic())))


def campaign(kills: int, seed: int, folder: Path, within_s: float = 3600.0) -> Result:
    """Run a campaign in an empty folder; see `Result`."""
    begin = time.monotonic()
    run, done = Campaign(seed, folder), 0
    while done < kills and time.monotonic() - begin < within_s:
        run.kill_one()
        done += 1
    looks_again = run.finish()
    difference, files = run.difference()
    said = (folder / "said.txt").read_text(errors="replace").splitlines()
    complaints = [line for line in said if "a fault of runlog's own" in line or line.startswith("Traceback")]
    return Result(
        asked=kills,
        kills=done,
        hit=run.hit,
        behind=run.behind,
        files=files,
        deleted=run.deleted,
        difference=difference,
        complaints=complaints,
        looks_again=looks_again,
        seconds=time.monotonic() - begin,
    )


def command(*more: str) -> list[str]:
    return [sys.executable, "-m", "runlog", "watch", "logs", *more]


def _look(folder: Path) -> str:
    looked = subprocess.run(
        command("--once"), cwd=folder, check=True, capture_output=True, text=True, timeout=_LOOK_WITHIN_S
    )
    return looked.stdout


def main() -> int:
    """Run it from the command line; exit code 1 if anything was lost, doubled or different."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=200, help="how often the watcher is killed")
    parser.add_argument("--seed", type=int, default=1, help="what happens to the logs")
    parser.add_argument("--within", type=float, default=3600.0, metavar="SECONDS", help="no kill after so long")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="an empty folder to work in, that stays")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        result = campaign(options.kills, options.seed, folder.resolve(), options.within)
    print(f"seed {options.seed}\n{result.table()}")
    for line in result.complaints[:5]:
        print(line)
    return int(not result.is_good)


if __name__ == "__main__":
    sys.exit(main())

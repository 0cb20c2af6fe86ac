"""Look again and again at logs that grow, turn and vanish, in one process: `python tests/faults/soak.py --seeds 50`.

`campaign` kills real watchers: true to life, and slow. Here a look costs a fraction of a second, so that the rarer
meetings of one mishap with another come about: the floor goes on between looks, between a look at a file and its
reading, and between two files of a run; some runs end after one of their files, as where a watcher is killed between
two commits, and the next remembers nothing.
"""

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import polars as pl
from faults.compared import Difference, compared
from faults.mishaps import PACE_S, Floor
from faults.stories import SITE

from runlog import pipeline
from runlog.pipeline import Step, ingest
from runlog.site import parse_site
from runlog.store import Store, delta
from runlog.watch.sightings import Sightings, is_unfinished

_SITE = parse_site(SITE)
_ENDS_EARLY = 0.15
_BEGUN_ANEW = 0.1
_GOES_ON_WITHIN = 0.3
_DERIVES = 0.1
_LEFT_ALONE = 0.5
_TIDIED = 0.1
_COMMITS = 4
"""Of one append, at most: one of each table."""


class _EndedError(Exception):
    """A run that ends between two of its files, or two of its commits."""


class Soak:
    """A floor, and looks at it."""

    def __init__(self, seed: int, folder: Path) -> None:
        self._rng = random.Random(seed)
        self._folder = folder
        for name in ("logs", "attic"):
            (folder / name).mkdir()
        self._floor = Floor(folder / "logs", folder / "attic", seed)
        self._now = 0.0
        self._store = Store(folder / "store")
        self._sightings = self._anew()

    def _anew(self) -> Sightings:
        return Sightings([self._folder / "logs"], self._store.folder)

    def look(self) -> None:
        """Let things happen, and look at what has changed."""
        self._goes_on(self._rng.randint(1, 25))
        if self._rng.random() < _BEGUN_ANEW:
            self._sightings = self._anew()
        chances = (_ENDS_EARLY, _ENDS_EARLY, _GOES_ON_WITHIN, _DERIVES)
        ends_early, dies, grows, derives = (self._rng.random() < chance for chance in chances)
        try:
            with self._dies() if dies else nullcontext():
                self._read(ends_early=ends_early, grows=grows, derives=derives, leaves=_LEFT_ALONE)
        except _EndedError:
            self._sightings = self._anew()
            self._store.mend()
        if self._store.exists() and self._rng.random() < _TIDIED:
            for _ in self._store.tidy():
                pass
        if self._store.exists():
            read = self._store.progress().group_by("path").agg(pl.col("offset").max()).collect()
            self._floor.tidy(dict(read.iter_rows()))

    def difference(self) -> Difference:
        """Bring everything to an end, look in peace, and compare with a clean read."""
        self._floor.finish()
        self._sightings = self._anew()
        self._read()
        clean = Store(self._folder / "clean")
        ingest([self._folder / "logs", self._folder / "attic"], _SITE, clean, base=self._folder)
        return compared(self._store, clean)

    @contextmanager
    def _dies(self) -> Iterator[None]:
        """It ends before one of the next commits."""
        left = self._rng.randint(0, 2 * _COMMITS)

        def commit(*words: Any, **more: Any) -> Any:
            nonlocal left
            left -= 1
            if left < 0:
                raise _EndedError
            return committed(*words, **more)

        committed = delta.commit
        with patch.object(delta, "commit", commit):
            yield

    def _read(
        self, *, ends_early: bool = False, grows: bool = False, derives: bool = True, leaves: float = 0.0
    ) -> None:
        """What a watcher does in one step."""
        changed = self._sightings.changed()
        due = {path: sight for path, sight in changed.items() if not self._leaves(path, leaves)}
        beside = self._sightings.longer_alike(due) - due.keys()
        last = self._rng.randint(1, max(1, len(due))) if ends_early else None

        def between(step: Step) -> None:
            if grows:
                self._goes_on(self._rng.randint(0, 4))
            if step.done == last:
                raise _EndedError

        if grows:
            self._goes_on(self._rng.randint(0, 4))
        with nullcontext() if derives else patch.object(pipeline, "rederive", lambda *_: []):
            report = ingest([*due, *sorted(beside)], _SITE, self._store, base=self._folder, progress=between)
        failed = {one.path for one in report.skipped}
        for path, sight in due.items():
            if path not in failed:
                self._sightings.settle(path, sight)

    def _leaves(self, path: Path, chance: float) -> bool:
        return is_unfinished(path) and self._rng.random() < chance

    def _goes_on(self, steps: int) -> None:
        """So many small steps of each log, more or less."""
        for _ in range(steps):
            self._now += sum(PACE_S) / 2
            self._floor.step(self._now)


def soak(seed: int, looks: int, folder: Path) -> Difference:
    """Look so many times at a floor in an empty folder, and compare with a clean read."""
    run = Soak(seed, folder)
    for _ in range(looks):
        run.look()
    return run.difference()


def _one(seed: int, looks: int, keep: Path | None) -> tuple[int, Difference]:
    with tempfile.TemporaryDirectory() as scratch:
        folder = keep / str(seed) if keep else Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        return seed, soak(seed, looks, folder.resolve())


def main() -> int:
    """Run it from the command line; exit code 1 if anything was lost, doubled or different."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", type=int, default=20, help="how many floors")
    parser.add_argument("--first", type=int, default=1, metavar="SEED", help="the first of them")
    parser.add_argument("--looks", type=int, default=40, help="how often each is looked at")
    parser.add_argument("--workers", type=int, default=2, help="floors at a time")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="work here, and leave each floor in its folder")
    options = parser.parse_args()
    begin, bad, events = time.monotonic(), 0, 0
    seeds = range(options.first, options.first + options.seeds)
    with ProcessPoolExecutor(options.workers) as pool:
        for seed, found in pool.map(_one, seeds, [options.looks] * len(seeds), [options.keep] * len(seeds)):
            events += found.events
            if not found.is_none:
                bad += 1
                print(f"seed {seed}: {found}", flush=True)
    print(f"{options.seeds} floors of {options.looks} looks, {events} events: {bad} differ from a clean read")
    print(f"{time.monotonic() - begin:.0f} s")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())

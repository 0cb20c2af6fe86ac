"""Logs that begin alike and go on differently, cut anywhere: `python tests/faults/branches.py --seeds 200`.

A log that was cut short and written on, a copy that is being made, a backup that comes back: to the reader all these
are files of which one may be the beginning of the other. Here a few logs share their first lines, and each look finds
some names holding some first bytes of some of them, often torn within a line. In the end every content that was ever
there is there at once; the store must then hold what a clean read of all of them gives: no row lost, and no torn line
left of which the rest is known.
"""

import argparse
import random
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from faults.compared import WHERE
from watch.shop import HEADER, SHOP

from runlog import pipeline
from runlog.pipeline import ingest
from runlog.store import Store
from runlog.watch.sightings import Sightings

_BRANCHES = 4
_LINES = 8
_NAMES = 4
_TORN = 0.4
_BEGUN_ANEW = 0.3


@dataclass(frozen=True)
class Kept:
    """What a store holds, wherever it stood."""

    events: list[tuple]
    rejects: list[str]


class Branches:
    """Some logs, and looks at first bytes of them."""

    def __init__(self, seed: int, folder: Path) -> None:
        self._rng = random.Random(seed)
        self._logs = folder / "logs"
        self._logs.mkdir(parents=True)
        self._store, self._clean = Store(folder / "store"), Store(folder / "clean")
        self._sightings = self._anew()
        stem = self._lines()
        self._whole = [stem[: self._rng.randint(0, _LINES)] for _ in range(_BRANCHES)]
        self._whole = [begun + self._lines()[len(begun) :] for begun in self._whole]
        self._ever: set[str] = set()

    def _anew(self) -> Sightings:
        return Sightings([self._logs], self._store.folder)

    def _lines(self) -> list[str]:
        second = [self._rng.randint(0, 59) for _ in range(_LINES)]
        return [f"2026-03-02T20:{minute:02}:{second[minute]:02},part_count,{minute}\n" for minute in range(_LINES)]

    def look(self) -> None:
        """Some names hold something else, and it is looked what changed."""
        for number in self._rng.sample(range(_NAMES), self._rng.choice([1, 1, 2, 3])):
            (self._logs / f"T01 {number}.csv").write_text(self._content())
        if self._rng.random() < _BEGUN_ANEW:
            self._sightings = self._anew()
        changed = self._sightings.changed()
        self._read([*changed, *sorted(self._sightings.longer_alike(changed) - changed.keys())])
        for path, sight in changed.items():
            self._sightings.settle(path, sight)

    def ended(self) -> tuple[Kept, Kept]:
        """All that was ever there is there, and is looked at: what the store then holds, and what a clean one does."""
        for number, content in enumerate(sorted(self._ever)):
            (self._logs / f"T01 back {number}.csv").write_text(content)
        self._read([self._logs])
        ingest([self._logs], SHOP, self._clean, base=self._logs)
        return _kept(self._store), _kept(self._clean)

    def _content(self) -> str:
        lines = [HEADER, *self._rng.choice(self._whole)]
        count = self._rng.randint(1, len(lines))
        torn = lines[count : count + 1] if self._rng.random() < _TORN else []
        content = "".join([*lines[:count], *(line[: self._rng.randint(1, len(line) - 1)] for line in torn)])
        self._ever.add(content)
        return content

    def _read(self, paths: list[Path]) -> None:
        with patch.object(pipeline, "rederive", lambda *_: []):  # facts are another matter
            ingest(paths, SHOP, self._store, base=self._logs)


def _kept(store: Store) -> Kept:
    events = store.events().drop(WHERE).collect()
    return Kept(sorted(events.select("at", "data_item", "text").iter_rows()), sorted(store.rejects().collect()["raw"]))


def branches(seed: int, looks: int, folder: Path) -> tuple[Kept, Kept]:
    """Look so many times, in an empty folder; what is kept in the end, and what should be."""
    run = Branches(seed, folder)
    for _ in range(looks):
        run.look()
    return run.ended()


def _one(seed: int, looks: int) -> tuple[int, Kept, Kept]:
    with tempfile.TemporaryDirectory() as scratch:
        return seed, *branches(seed, looks, Path(scratch).resolve())


def main() -> int:
    """Run it from the command line; exit code 1 if anything differs from a clean read."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", type=int, default=200, help="how many times, each with other logs")
    parser.add_argument("--first", type=int, default=1, metavar="SEED", help="the first of them")
    parser.add_argument("--looks", type=int, default=14, help="how often each time")
    parser.add_argument("--workers", type=int, default=2, help="how many at a time")
    options = parser.parse_args()
    begin, bad = time.monotonic(), 0
    seeds = range(options.first, options.first + options.seeds)
    with ProcessPoolExecutor(options.workers) as pool:
        for seed, kept, wanted in pool.map(_one, seeds, [options.looks] * len(seeds)):
            if kept != wanted:
                bad += 1
                print(f"seed {seed}: {len(kept.events)} of {len(wanted.events)} events; rejects {kept.rejects}, "
                      f"{wanted.rejects} expected", flush=True)  # fmt: skip
    print(
        f"{options.seeds} times {options.looks} looks: {bad} differ from a clean read, {time.monotonic() - begin:.0f} s"
    )
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())

"""How fast logs become facts, and how much memory that takes, in tables: `python tests/benchmarks/speed.py`.

Each line compares what runlog does with something measured in the same run: the bare library doing the least that could
work, or what one would write otherwise. Files are invented; `--full` makes them as large as the goals ask for (an hour,
and 20 GB of disk for a while), else they are small. `RUNLOG_REAL_LOGS` names a folder of recorded logs to read as well.
"""

import argparse
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final, NamedTuple
from unittest.mock import patch

import polars as pl
from bare import LEAST, OTHERS, Work, is_installed
from made import FORMS, made
from taking import measured, take, take_anew

from runlog.derive import derive
from runlog.derive.observations import ITEMS
from runlog.distinct import distinct
from runlog.simulator import simulate
from runlog.site import Site, load_site, parse_site
from runlog.store import Store, compact

START: Final = date(2026, 8, 10)
FULL_MB: Final = {"csv long": 500.0, "adapter lines": 500.0, "mtconnect streams": 200.0}
FULL_GB: Final = (0.1, 1.0, 5.0)
IN_MEMORY: Final = ("adapter lines", "csv long")
FULL_FILES: Final = 20_000
NEW_FILES: Final = 5
GOALS: Final = {"csv long": 2.0, "adapter lines": 2.0, "mtconnect streams": 1.5, "derive": 3.0}
_REAL: Final = {"adapter lines": ("lines", "*.txt"), "mtconnect streams": ("streams", "*.xml")}


class Row(NamedTuple):
    """One line of the table of speed."""

    work: str
    against: str
    ours: "Time"
    other: "Time"
    goal: float | None


class Time(NamedTuple):
    """By the clock, and of the processors: on a machine that does other things as well, the second tells more. [s]"""

    clock: float
    cpu: float


def timed(*works: Callable[[], object], rounds: int) -> list[Time]:
    """Shortest times of each, taken in turns, so that what else the machine does meets all of them."""
    times: list[list[Time]] = [[] for _ in works]
    for _ in range(rounds):
        for work, taken in zip(works, times, strict=True):
            clock, cpu = time.perf_counter(), time.process_time()
            work()
            taken.append(Time(time.perf_counter() - clock, time.process_time() - cpu))
    return [Time(min(t.clock for t in taken), min(t.cpu for t in taken)) for taken in times]


def best(work: Callable[[], object], rounds: int = 3) -> float:
    """Shortest of a few runs by the clock. [s]"""
    return timed(work, rounds=rounds)[0].clock


# --- reading ----------------------------------------------------------------------------------------


def reading(folder: Path, megabytes: dict[str, float], rounds: int) -> Iterator[Row]:
    """Files to committed events, against the bare library and what one would write otherwise."""
    for form in FORMS:
        log = made(folder / form.replace(" ", "-"), form, megabytes[form])
        size = log.path.stat().st_size / 1e6
        yield from _against(f"{form}, {size:,.0f} MB, to committed events", form, [log.path], log.site, rounds)
        log.path.unlink()


def recorded(folder: Path, rounds: int) -> Iterator[Row]:
    """The same for logs recorded elsewhere."""
    real = Path(os.environ.get("RUNLOG_REAL_LOGS", ""))
    for form, (inside, pattern) in _REAL.items() if real.name else ():
        paths = sorted((real / inside).glob(pattern))
        site = parse_site(
            '[site]\nname = "recorded"\ntime_zone = "UTC"\n[[machine]]\nname = "M"\n[[source]]\nname = "log"\n'
            f'files = ["{pattern}"]\nformat = "{form}"\nmachine = "M"\n'
        )
        size = sum(path.stat().st_size for path in paths) / 1e6
        yield from _against(f"{form}, {len(paths)} recorded files, {size:,.0f} MB", form, paths, site, rounds)


def _against(work: str, form: str, paths: list[Path], site: Site, rounds: int) -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as place:
        store, to = Path(place) / "store", Path(place) / "bare.parquet"

        def ours() -> None:
            assert not take_anew(paths, site, store).skipped

        def doing(peer: Work) -> Callable[[], object]:
            return lambda: [peer(path, to) for path in paths]

        peers: list[tuple[Work, float | None]] = [(LEAST[form], GOALS[form])]
        for library, peer in OTHERS[form]:
            if is_installed(library):
                peers.append((peer, None))
            else:
                sys.stderr.write(f"{library} is not installed: left out\n")
        mine, *theirs = timed(ours, *(doing(peer) for peer, _ in peers), rounds=rounds)
    for (peer, goal), other in zip(peers, theirs, strict=True):
        yield Row(work, (peer.__doc__ or "").splitlines()[0], mine, other, goal)


# --- deriving ---------------------------------------------------------------------------------------


def deriving(folder: Path, weeks: int, rounds: int) -> Iterator[Row]:
    """Facts of one machine, against reading and sorting the same events: out of the store, and out of one file."""
    shop = simulate(folder / "derive", start=START, weeks=weeks, seed=1, machines=1)
    site, store = load_site(shop / "site.toml"), Store(folder / "derive" / "store")
    take([shop / "logs"], site, store.folder)
    with patch.object(compact, "QUIET", timedelta(0)):  # as a store that nothing was added to for an hour
        for _ in store.tidy():
            pass
    path = folder / "events.parquet"
    store.events().collect().write_parquet(path)
    told = {
        "out of the store": (store.events, GOALS["derive"]),
        "out of one Parquet file": (lambda: distinct(pl.scan_parquet(path)), None),
    }
    for where, (events, goal) in told.items():
        ours, limit = timed(
            lambda events=events: [frame.collect() for frame in derive(events(), site).values()],
            lambda events=events: events().filter(pl.col("item").is_in(ITEMS)).collect(),
            rounds=rounds,
        )
        count = pl.scan_parquet(path).select(pl.len()).collect().item()
        work = f"derive, {weeks} weeks of a machine, {count:,} events, {where}"
        yield Row(work, "polars: read the same items, distinct, sorted", ours, limit, goal)


# --- catching up ------------------------------------------------------------------------------------


def catching_up(folder: Path, files: int, rounds: int) -> Iterator[Row]:
    """A scan of many files of which few are new, against reading all their bytes."""
    log = made(folder / "scan", "adapter lines", 5.0)
    logs = folder / "scan" / "many"
    logs.mkdir()
    text = log.path.read_bytes().splitlines(keepends=True)
    for number in range(files):
        _small(logs, number, text)
    store = folder / "scan" / "store"
    take([logs], log.site, store)
    numbers = iter(range(files, files + NEW_FILES * rounds))

    def scan() -> None:
        for _ in range(NEW_FILES):
            _small(logs, next(numbers), text)
        assert len(take([logs], log.site, store).progress) == NEW_FILES

    ours, limit = timed(scan, lambda: [path.read_bytes() for path in logs.iterdir()], rounds=rounds)
    yield Row(f"catch-up scan of {files:,} files, {NEW_FILES} new", "read all their bytes", ours, limit, None)


def _small(logs: Path, number: int, text: list[bytes]) -> None:
    begin = 20 * number % (len(text) - 40)
    head = b"2025-12-01T00:%02d:%02d.%06dZ|part_count|%d\n" % (number // 60 % 60, number % 60, number, number)
    (logs / f"T01_{number:06}.txt").write_bytes(head + b"".join(text[begin : begin + 40]))


# --- memory -----------------------------------------------------------------------------------------


def memory(folder: Path, gigabytes: tuple[float, ...], forms: Sequence[str] = IN_MEMORY) -> Iterator[str]:
    """Most memory while a file becomes committed events, in a process of its own."""
    yield "| file | most memory [MiB] | events | time [s] |\n| --- | ---: | ---: | ---: |"
    for form in forms:
        for size in gigabytes:
            log = made(folder / "memory", form, size * 1000)
            taken = measured(form, log.path, folder / "memory" / "store")
            log.path.unlink()
            yield f"| {form}, {size} GB | {taken.mib:,.0f} | {taken.events:,} | {taken.seconds:,.0f} |"


# --- the tables -------------------------------------------------------------------------------------


def speeds(rows: Iterator[Row]) -> Iterator[str]:
    yield "| work | against | runlog [s] | other [s] | ratio | of CPU time | goal |"
    yield "| --- | --- | ---: | ---: | ---: | ---: | ---: |"
    for row in rows:
        goal = f"{row.goal}" if row.goal else ""
        ours, other = row.ours, row.other
        ratios = f"{ours.clock / other.clock:.1f} | {ours.cpu / other.cpu:.1f}"
        yield f"| {row.work} | {row.against} | {ours.clock:.2f} | {other.clock:.2f} | {ratios} | {goal} |"


def told_of_machine() -> str:
    """When and where something was measured."""
    load = f", load {os.getloadavg()[0]:.0f}" if hasattr(os, "getloadavg") else ""
    return f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, {os.cpu_count()} cores, {platform.system()}{load}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true", help="files as large as the goals ask for")
    parser.add_argument("--only", choices=("reading", "recorded", "derive", "scan", "memory"), help="one table")
    parser.add_argument("--rounds", type=int, default=3, help="the shortest of so many runs counts")
    parser.add_argument("--megabytes", type=float, default=20, help="size of the files to read")
    parser.add_argument("--gigabytes", type=float, nargs="+", default=[0.05, 0.1], help="sizes to measure memory with")
    parser.add_argument("--form", nargs="+", choices=IN_MEMORY, default=IN_MEMORY, help="forms to measure memory with")
    parser.add_argument("--files", type=int, default=1000, help="files of the catch-up scan")
    parser.add_argument("--weeks", type=int, default=52, help="weeks to derive")
    parser.add_argument("--folder", type=Path, help="where files are made; default the temporary folder")
    asked = parser.parse_args()
    megabytes: dict[str, float] = {**dict.fromkeys(FORMS, asked.megabytes), **(FULL_MB if asked.full else {})}
    sizes = FULL_GB if asked.full else tuple(asked.gigabytes)
    files = FULL_FILES if asked.full else asked.files
    with tempfile.TemporaryDirectory(dir=asked.folder) as place:
        folder = Path(place)
        tables: dict[str, Callable[[], Iterator[str]]] = {
            "reading": lambda: speeds(reading(folder, megabytes, asked.rounds)),
            "recorded": lambda: speeds(recorded(folder, asked.rounds)),
            "derive": lambda: speeds(deriving(folder, asked.weeks, asked.rounds)),
            "scan": lambda: speeds(catching_up(folder, files, asked.rounds)),
            "memory": lambda: memory(folder, sizes, asked.form),
        }
        sys.stdout.write(f"{told_of_machine()}\n")
        for name in [asked.only] if asked.only else tables:
            sys.stdout.write("\n")
            for line in tables[name]():
                sys.stdout.write(line + "\n")
                sys.stdout.flush()


if __name__ == "__main__":
    main()

"""How long an append takes in a young store and in an old one: `python tests/benchmarks/append_latency.py`.

One machine's log of today grows by a thousand rows at a time, and between two appends the store is tidied as a
watcher tidies it while it rests. All versions are younger than what upkeep may remove, so nothing is removed: this
is the worst a store sees. Compared are the appends up to a late version with those up to an early one, and with the
least that could work: the bare library adding the same rows to a table of its own, without fsync.
"""

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
from deltalake import CommitProperties, DeltaTable, Transaction, write_deltalake

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from test_store import DAY, reading

from runlog.intake.reading import Reading
from runlog.schema import PROGRESS
from runlog.store import Store, Tidied, delta
from runlog.watch.housekeeping import Housekeeping

ROWS = 1000
EARLY = 10
TIMED = 20
"""So many appends are timed, up to each version."""


class Watched(Store):
    """A store that notes how long the slices of its upkeep take. [s]"""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.slices: list[float] = []

    def tidy(self):
        slices, done = super().tidy(), Tidied()
        while done is not None:
            begin = time.perf_counter()
            done = next(slices, None)
            self.slices.append(time.perf_counter() - begin)
            if done is not None:
                yield done


def piece(number: int) -> Reading:
    """The log's thousand rows of that number, all of today."""
    minute = int((datetime.now(UTC) - DAY) / timedelta(minutes=1))
    whole = reading("log", [minute] * ROWS)
    place = {"begins": number * ROWS, "offset": (number + 1) * ROWS, "prefix": f"log {number}"}
    progress = PROGRESS.conform(whole.progress.lazy().with_columns(**{n: pl.lit(v) for n, v in place.items()}))
    return replace(whole, progress=progress.collect(), rejects=whole.rejects.clear())


def took(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def bare(folder: Path) -> list[float]:
    """Open the table, read its mark, add the rows with the next one."""
    rows = piece(0).events.with_columns(day=pl.col("stamped").dt.date())

    def step() -> None:
        table = DeltaTable(str(folder))
        mark = Transaction("load", (table.transaction_version("load") or 0) + 1)
        write_deltalake(table, rows, mode="append", commit_properties=CommitProperties(app_transactions=[mark]))

    write_deltalake(str(folder), rows, partition_by=["day"])
    return [took(step) for _ in range(EARLY + TIMED)][-TIMED:]


def grown(store: Watched, versions: int, tidied: bool, within_s: float) -> list[float]:
    """Times of the appends up to a version, or up to the one reached within a time. [s]"""
    keeping = Housekeeping(store, print)
    times: list[float] = []
    end = time.monotonic() + within_s
    while len(times) < versions and time.monotonic() < end:
        one = piece(number := len(times))
        times.append(took(lambda one=one: store.append([one])))
        if tidied:
            keeping.some(lambda: False)
        if number % 500 == 0:
            print(f"{number} appends", file=sys.stderr)
    return times


def row(what: str, times: list[float], against: list[float]) -> str:
    median, worst = statistics.median(times) * 1000, max(times) * 1000
    return f"| {what} | {median:.0f} | {worst:.0f} | {statistics.median(times) / statistics.median(against):.2f} |"


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--versions", type=int, default=5000)
    parser.add_argument("--within", type=float, default=900.0, help="seconds, after which it stops where it is")
    parser.add_argument("--untidied", action="store_true", help="without upkeep, for comparison")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        limit = bare(Path(folder) / "bare")
        store = Watched(Path(folder) / "store")
        begin = time.perf_counter()
        times = grown(store, options.versions, not options.untidied, options.within)
        early, late = times[EARLY : EARLY + TIMED], times[-TIMED:]
        whole = time.perf_counter() - begin
        files = len(delta.opened(store.folder / "events").file_uris())
        read = took(lambda: store.events().select(pl.len()).collect())
    print("| append of 1 000 rows | median [ms] | longest [ms] | to the early one |")
    print("| --- | ---: | ---: | ---: |")
    print(row(f"bare library, version {EARLY}", limit, early))
    print(row(f"runlog, version {EARLY}", early, early))
    print(row(f"runlog, version {len(times)}", late, early))
    upkeep = f"{sum(store.slices):.1f} s of {whole:.0f} s, longest slice {max(store.slices, default=0.0):.2f} s"
    print(f"\nUpkeep: {upkeep}. Files of events in use: {files}; all {len(times) * ROWS} rows read in {read:.1f} s.")
    return 0


if __name__ == "__main__":
    sys.exit(main())

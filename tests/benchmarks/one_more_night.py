"""What one more night costs on a long history and on a short one: `python tests/benchmarks/one_more_night.py`.

The same machines, the same last nights; one store holds a year before them, the other a week. A night's files are read
and committed, then timed is what follows until its facts are visible, and beside it deriving everything. Goal: 1.3
times the week's at most.
"""

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

from speed import told_of_machine
from taking import take

from runlog.pipeline import rederive
from runlog.simulator import simulate
from runlog.site import load_site
from runlog.store import Store

LAST = date(2026, 11, 15)
GOAL = 1.3


def shop(folder: Path, weeks: int, machines: int) -> Path:
    """A simulated shop whose last day is the same whatever the weeks."""
    return simulate(folder, start=LAST - timedelta(weeks=weeks), weeks=weeks, seed=1, machines=machines)


def nights(folder: Path, count: int) -> Iterator[tuple[float, float]]:
    """Seconds by the clock and of the processors, from the commit of each of the last nights to its facts."""
    site, store = load_site(folder / "site.toml"), Store(folder / "store")
    logs = sorted((folder / "logs").iterdir())
    days = sorted({path.name.split("_")[-1][:10] for path in logs if "_" in path.name})
    latest = days[-count:]
    take([path for path in logs if not any(day in path.name for day in latest)], site, folder / "store")
    rederive(site, store)
    for day in latest:
        take([path for path in logs if day in path.name], site, folder / "store")
        clock, cpu = time.perf_counter(), time.process_time()
        rederive(site, store)
        yield time.perf_counter() - clock, time.process_time() - cpu


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weeks", type=int, nargs=2, default=[2, 13], help="the short and the long history")
    parser.add_argument("--machines", type=int, default=1)
    parser.add_argument("--nights", type=int, default=5, help="so many nights are timed, the median counts")
    given = parser.parse_args()
    sys.stdout.write(f"{told_of_machine()}\n\n")
    sys.stdout.write("| history | one more night [s] | of CPU time [s] | ratio | of CPU time | everything [s] |\n")
    sys.stdout.write("| --- | ---: | ---: | ---: | ---: | ---: |\n")
    first: tuple[float, float] | None = None
    for weeks in given.weeks:
        with tempfile.TemporaryDirectory() as place:
            folder = shop(Path(place) / "shop", weeks, given.machines)
            taken = list(nights(folder, given.nights))
            clock, cpu = (statistics.median(of) for of in zip(*taken, strict=True))
            first = first or (clock, cpu)
            site, store = load_site(folder / "site.toml"), Store(folder / "store")
            begin = time.perf_counter()
            rederive(site, store, afresh=True)
            whole = time.perf_counter() - begin
            sys.stdout.write(
                f"| {weeks} weeks of {given.machines} | {clock:.2f} | {cpu:.2f} | {clock / first[0]:.2f} | "
                f"{cpu / first[1]:.2f} | {whole:.1f} |\n"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()

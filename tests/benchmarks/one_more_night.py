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
from datetime import date
from pathlib import Path

from speed import told_of_machine
from taking import take

from runlog.pipeline import rederive
from runlog.simulator import simulate
from runlog.site import load_site
from runlog.store import Store

START = date(2025, 11, 17)
GOAL = 1.3


def nights(shop: Path, store: Path, weeks: int, count: int) -> Iterator[tuple[float, float]]:
    """Seconds by the clock and of the processors, from the commit of each of the last nights to its facts."""
    site, held = load_site(shop / "site.toml"), Store(store)
    logs = sorted((shop / "logs").iterdir())
    days = sorted({path.name.split("_")[-1][:10] for path in logs if "_" in path.name})
    history, latest = days[-count - 7 * weeks : -count], days[-count:]
    take([path for path in logs if "_" not in path.name or any(day in path.name for day in history)], site, store)
    rederive(site, held)
    for day in latest:
        take([path for path in logs if day in path.name], site, store)
        clock, cpu = time.perf_counter(), time.process_time()
        rederive(site, held)
        yield time.perf_counter() - clock, time.process_time() - cpu


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weeks", type=int, nargs="+", default=[1, 13], help="histories, the shortest first")
    parser.add_argument("--machines", type=int, default=1)
    parser.add_argument("--nights", type=int, default=5, help="so many nights are timed, the median counts")
    given = parser.parse_args()
    sys.stdout.write(f"{told_of_machine()}\n\n")
    sys.stdout.write("| history | one more night [s] | of CPU time [s] | ratio | of CPU time | everything [s] |\n")
    sys.stdout.write("| --- | ---: | ---: | ---: | ---: | ---: |\n")
    first: tuple[float, float] | None = None
    with tempfile.TemporaryDirectory() as place:
        weeks = max(given.weeks) + 2
        shop = simulate(Path(place) / "shop", start=START, weeks=weeks, seed=1, machines=given.machines)
        for history in given.weeks:
            store = Path(place) / f"store {history}"
            taken = list(nights(shop, store, history, given.nights))
            clock, cpu = (statistics.median(of) for of in zip(*taken, strict=True))
            first = first or (clock, cpu)
            begin = time.perf_counter()
            rederive(load_site(shop / "site.toml"), Store(store), afresh=True)
            sys.stdout.write(
                f"| {history} weeks of {given.machines} | {clock:.2f} | {cpu:.2f} | {clock / first[0]:.2f} | "
                f"{cpu / first[1]:.2f} | {time.perf_counter() - begin:.1f} |\n"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()

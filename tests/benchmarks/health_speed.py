"""How long a person waits for the health commands: `python tests/benchmarks/health_speed.py [FOLDER]`.

Thirteen weeks of 50 invented machines. Each command is started anew, as from a terminal, three times; the shortest
counts, in seconds waited and in seconds of processors used. Beside it stand `runlog --version`, and a Python that
starts, loads the libraries that all of these need, and ends.
"""

import os
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import polars as pl
from shops import shop

from runlog.notes import fix_note
from runlog.site import load_site
from runlog.store import Store

MACHINES = 50
BEGIN = date(2026, 7, 6)
COMMANDS = (
    ("--version",),
    ("reloads",),
    ("reloads", "--by", "diameter,machine"),
    ("reloads", "--durations"),
    ("faults",),
    ("faults", "--cause", "misfeed"),
    ("faults", "--cause", "bar supply"),
    ("fix", "list"),
    ("fix", "check"),
    ("alarms",),
    ("endurance",),
    ("endurance", "--by", "machine"),
    ("tonight",),
    ("worth",),
)
BARE = "import numpy, polars, pyarrow, deltalake, pydantic, rich, scipy.special, typer"
FIXES = 5


def made(folder: Path) -> None:
    """A store and a site file of so many machines, with some fixes noted."""
    shop(folder, MACHINES, BEGIN)
    site, store = load_site(folder / "site.toml"), Store(folder / "store")
    for machine in site.machines[:FIXES]:
        store.add("notes", fix_note(machine.name, date(2026, 8, 20), "new liner", site, who="bench"))


def shortest(words: tuple[str, ...], folder: Path) -> tuple[float, float]:
    """Seconds waited, and seconds of processors used: the second says more where others use them, too."""
    environment = os.environ | {"RUNLOG_SITE": str(folder / "site.toml"), "RUNLOG_STORE": str(folder / "store")}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # nobody who installs it compiles it anew each time
    took = []
    for _ in range(3):
        begin, used = time.perf_counter(), os.times()
        subprocess.run([sys.executable, *words], env=environment, check=True, capture_output=True)
        now = os.times()
        busy = now.children_user + now.children_system - used.children_user - used.children_system
        took.append((time.perf_counter() - begin, busy))
    return min(took)[0], min(one for _, one in took)


def main(folder: Path) -> None:
    if not (folder / "site.toml").exists():
        made(folder)
    facts = Store(folder / "store").facts()
    counts = {name: facts[name].select(pl.len()).collect().item() for name in ("reloads", "stops", "spans", "alarms")}
    sys.stdout.write(f"{MACHINES} machines, 13 weeks: {', '.join(f'{n:,} {k}' for k, n in counts.items())}\n\n")
    sys.stdout.write("| command | waited [s] | of processors [s] |\n| --- | ---: | ---: |\n")
    written("libraries alone", *shortest(("-c", BARE), folder))
    for words in COMMANDS:
        written(f"`runlog {' '.join(words)}`", *shortest(("-m", "runlog", *words), folder))


def written(name: str, waited: float, busy: float) -> None:
    sys.stdout.write(f"| {name} | {waited:.1f} | {busy:.1f} |\n")
    sys.stdout.flush()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        Path(sys.argv[1]).mkdir(parents=True, exist_ok=True)
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made_here:
            main(Path(made_here))

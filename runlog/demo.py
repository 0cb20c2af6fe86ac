"""The demonstration: sample logs of an invented shop, with invented history before them, read into a store.

    made = make(Path("runlog-demo"))
    made.site, made.store, made.report

The history is of the same machines and jobs and ends on the day on which the sample logs begin. Everything is put
into one folder, which can be thrown away.
"""

import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, time, timedelta
from pathlib import Path
from typing import Final

from runlog.bundled import sample_logs
from runlog.errors import RunlogError
from runlog.pipeline import IngestReport, Step, ingest
from runlog.simulator import simulate
from runlog.site import load_site
from runlog.store import Store
from runlog.version import VERSION

__all__ = ["Demo", "make"]

WEEKS: Final = 13
SEED: Final = 2026
_MARK: Final = "this-is-a-runlog-demo.txt"
_BEGIN: Final = time(6)
"""Local time at which the sample logs begin, and so the history ends."""
_DAY: Final = re.compile(r"_(\d{4}-\d{2}-\d{2})\.")


@dataclass(frozen=True)
class Demo:
    """Where the demonstration is.

    Attributes
    ----------
    site : Path
        The site file.
    store : Path
        Folder of the store.
    logs : Path
        Folder of the logs: `history` and `sample`.
    report : IngestReport
        What became of them.
    """

    site: Path
    store: Path
    logs: Path
    report: IngestReport


def make(folder: Path, weeks: int = WEEKS, progress: Callable[[int, int, str], None] | None = None) -> Demo:
    """Put the demonstration into a folder; one that is there already is brought up to date.

    Parameters
    ----------
    folder : Path
        Made if missing.
    weeks : int
        Of history before the sample logs; 0 for none.
    progress : callable, optional
        Told done, total, and what is being done.

    Raises
    ------
    RunlogError
        The folder holds something else, or cannot be written.
    """
    told = progress or (lambda done, total, doing: None)
    _claim(folder, weeks)
    sample, logs, site = sample_logs(), folder / "logs", folder / "site.toml"
    shutil.copytree(sample / "logs", logs / "sample", dirs_exist_ok=True)
    shutil.copyfile(sample / "site.toml", site)
    if weeks:
        told(0, 100, f"inventing {weeks} weeks of history")
        _history(logs / "history", _first_day(sample), weeks, len(load_site(site).machines), told)

    def step(now: Step) -> None:
        told(now.done, now.total, "deriving facts" if now.done == now.total else f"reading {now.path.name}")

    store = folder / "store"
    report = ingest([logs], load_site(site), Store(store), base=folder, progress=step)
    return Demo(site, store, logs, report)


def _claim(folder: Path, weeks: int) -> None:
    """Take an empty folder, or one of a demonstration; one made otherwise than asked for now is begun anew."""
    mark = folder / _MARK
    made = f"Made by `runlog demo` of version {VERSION}, {weeks} weeks of history: invented, to be thrown away.\n"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()) and not mark.is_file():
            raise RunlogError(f"{folder}: holds something else, an empty folder expected; --to names another")
        if mark.is_file() and mark.read_text(encoding="utf-8") != made:
            for old in ("logs", "store"):
                shutil.rmtree(folder / old, ignore_errors=True)
        mark.write_text(made, encoding="utf-8")
    except OSError as error:
        raise RunlogError(f"{folder}: cannot be written: {error.strerror}") from None


def _first_day(sample: Path) -> date:
    days = [found[1] for path in sample.rglob("*") if (found := _DAY.search(path.name))]
    if not days:
        raise RunlogError(f"{sample}: no sample logs in it; install runlog again")
    return date.fromisoformat(min(days))


def _history(to: Path, until: date, weeks: int, machines: int, told: Callable[[int, int, str], None]) -> None:
    shutil.rmtree(to, ignore_errors=True)
    doing = f"inventing {weeks} weeks of history"
    simulate(
        to.parent / ".invented",
        start=until - timedelta(weeks=weeks),
        weeks=weeks,
        seed=SEED,
        machines=machines,
        ends=_BEGIN,
        progress=lambda share: told(round(100 * share), 100, doing),
    )
    shutil.move(to.parent / ".invented" / "logs", to)
    shutil.rmtree(to.parent / ".invented")

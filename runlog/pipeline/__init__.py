"""From files to facts: find them, read what is new, keep it, derive.

    report = ingest([Path("logs")], site, store, base=Path("."))
    report.progress        # one row a file read: what became of every observation
    report.skipped         # files left alone, each with its reason

What a run leaves behind does not depend on the order of the files, nor on whether they came at once: a
file read before adds nothing, one that has grown takes the place of what it was, and the beginning of
another file in the same run is left alone.
"""

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import polars as pl

from runlog.derive import derive
from runlog.errors import ReadingError
from runlog.intake import Reading, read_file
from runlog.pipeline.choice import Choice, Due, Found, Skipped
from runlog.schema import PROGRESS
from runlog.site import Site
from runlog.store import Store

__all__ = ["IngestReport", "Skipped", "Step", "ingest", "rederive"]

BATCH_EVENTS: Final = 500_000
"""Events kept in memory before they are committed."""
BATCH_FILES: Final = 500
"""Files read before they are committed: what a kill costs at most."""
_LOOKS: Final = 3
"""How often files that change while they are read are looked at in one run."""


@dataclass(frozen=True)
class Step:
    """How far a run is: so many of so many files done, this one last."""

    done: int
    total: int
    path: Path


@dataclass(frozen=True)
class IngestReport:
    """What became of the files of one run.

    Attributes
    ----------
    progress : pl.DataFrame
        PROGRESS, one row a file that was read.
    unchanged : list of Path
        Files with nothing new: read before, or the beginning of another file of this run.
    unclaimed : list of Path
        Files no source of the site claims.
    skipped : list of Skipped
        Files that could not be read.
    derived : bool
        Whether facts were made anew.
    """

    progress: pl.DataFrame
    unchanged: list[Path]
    unclaimed: list[Path]
    skipped: list[Skipped]
    derived: bool


def ingest(
    paths: Iterable[Path],
    site: Site,
    store: Store,
    *,
    base: Path,
    again: bool = False,
    progress: Callable[[Step], None] | None = None,
) -> IngestReport:
    """Read what is new in some files and folders, keep it, and derive the facts anew.

    Parameters
    ----------
    paths : iterable of Path
        Files, and folders that are searched to the bottom. Hidden files and the store itself are passed over.
    site : Site
        Names the sources that claim the files.
    store : Store
        Where events and facts go.
    base : Path
        Folder that paths in the site file are relative to.
    again : bool
        Read also what was read before, in place of what it gave then, as after a change of the site file.
    progress : callable, optional
        Told after each file; what it raises ends the run after the commit under way.

    Returns
    -------
    IngestReport

    Raises
    ------
    StoreError
        The store cannot be written.
    """
    choice = Choice()
    found = choice.find(list(paths), site, store.folder, base)
    rows: list[pl.DataFrame] = []
    for look in range(_LOOKS):
        choice.due, choice.covered = [], []
        choice.sort_out(found, site, store, again=again and look == 0)
        reader = _Reader(site, store, base, progress or (lambda _: None))
        rows += reader.read(choice.due)
        choice.skipped += reader.skipped
        if not (reader.skipped or reader.changed):
            choice.unchanged += [file.path for file in choice.covered]
            break
        # What was left to a file that could not be read is looked at by itself.
        found = [*choice.covered, *reader.changed]
    else:
        choice.skipped += [Skipped(file.path, "changed while it was read, try again") for file in found]
    derived = bool(rows) or not store.facts_are_current()
    if derived:
        rederive(site, store)
    read = pl.concat(rows) if rows else PROGRESS.empty().collect()
    return IngestReport(read, choice.unchanged, choice.unclaimed, choice.skipped, derived)


def rederive(site: Site, store: Store) -> None:
    """Derive all facts of all machines from the events in the store.

    All of them, as one machine's news can touch another's facts: it moves the horizon that shift rows reach to.
    """
    # `derive` asks for the events more than once; each time the store would sort them anew.
    events = store.events().collect()
    store.replace_facts(derive(events.lazy(), site))


# --- reading ----------------------------------------------------------------------------------------


@dataclass
class _Batch:
    """Readings on their way into one commit."""

    readings: list[Reading] = field(default_factory=list)
    replaces: dict[str, list[str]] = field(default_factory=dict)
    events: int = 0

    def add(self, reading: Reading, former: list[str]) -> None:
        self.readings.append(reading)
        self.replaces[reading.progress["file"][0]] = former
        self.events += len(reading.events)

    def is_full(self) -> bool:
        return self.events >= BATCH_EVENTS or len(self.readings) >= BATCH_FILES


class _Reader:
    """Reads files and commits them batch by batch: one batch is committed while the next is read."""

    def __init__(self, site: Site, store: Store, base: Path, told: Callable[[Step], None]) -> None:
        self._site = site
        self._store = store
        self._base = base
        self._told = told
        self.skipped: list[Skipped] = []
        self.changed: list[Found] = []

    def read(self, due: list[Due]) -> list[pl.DataFrame]:
        """PROGRESS of each file read; `skipped` and `changed` hold the others."""
        rows: list[pl.DataFrame] = []
        batch = _Batch()
        with ThreadPoolExecutor(1) as committer:
            committed: Future[None] | None = None
            for done, one in enumerate(due, 1):
                if reading := self._one(one):
                    batch.add(reading, one.former)
                    rows.append(reading.progress)
                if batch.is_full() or (done == len(due) and batch.readings):
                    # Never more than these two are held.
                    if committed:
                        committed.result()
                    committed = committer.submit(self._store.append, batch.readings, replaces=batch.replaces)
                    batch = _Batch()
                self._told(Step(done, len(due), one.file.path))
            if committed:
                committed.result()
        return rows

    def _one(self, due: Due) -> Reading | None:
        file = due.file
        try:
            reading = read_file(file.path, file.source, self._site, datetime.now(UTC), base=self._base)
        except ReadingError as error:
            self.skipped.append(Skipped(file.path, str(error)))
            return None
        except (Exception, pl.exceptions.PanicException) as error:
            # One file that a reader stumbles over must not keep the others out.
            fault = f"a fault of runlog's own, please report it: {type(error).__name__}: {error}"
            self.skipped.append(Skipped(file.path, fault))
            return None
        row = reading.progress.row(0, named=True)
        if due.is_still(row["file"], row["offset"]):
            return reading
        self.changed.append(file)
        return None

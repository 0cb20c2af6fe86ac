"""From files to facts: find them, read what is new, keep it, derive.

    report = ingest([Path("logs")], site, store, base=Path("."))
    report.progress        # one row a file read: what became of every observation
    report.skipped         # files left alone, each with its reason

What a run leaves behind does not depend on the order of the files, nor on whether they came at once: a
file read before adds nothing, one that has grown takes the place of what it was, and the beginning of
another file in the same run is left alone.
"""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import polars as pl

from runlog.derive import derive
from runlog.errors import ReadingError
from runlog.intake import Reading, read_file, source_for
from runlog.intake.identity import beginnings
from runlog.schema import PROGRESS
from runlog.site import Site, Source
from runlog.store import KnownFiles, Store

__all__ = ["IngestReport", "Skipped", "Step", "ingest", "rederive"]

BATCH_EVENTS: Final = 500_000
"""Events kept in memory before they are committed."""
BATCH_FILES: Final = 500
"""Files read before they are committed: what a kill costs at most."""


@dataclass(frozen=True)
class Skipped:
    """A file that was left alone, and why."""

    path: Path
    reason: str


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


@dataclass(frozen=True)
class _Found:
    path: Path
    source: Source
    size: int


@dataclass
class _Plan:
    """What to do with each file of a run."""

    read: list[tuple[_Found, list[str]]] = field(default_factory=list)
    unchanged: list[Path] = field(default_factory=list)
    unclaimed: list[Path] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)


def ingest(
    paths: Iterable[Path],
    site: Site,
    store: Store,
    *,
    base: Path,
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
    progress : callable, optional
        Told after each file.

    Returns
    -------
    IngestReport

    Raises
    ------
    StoreError
        The store cannot be written.
    """
    plan = _plan(list(paths), site, store, base)
    rows = _read_all(plan, site, store, base, progress or (lambda _: None))
    derived = bool(rows) or not store.facts_are_current()
    if derived:
        rederive(site, store)
    read = pl.concat(rows) if rows else PROGRESS.empty().collect()
    return IngestReport(read, plan.unchanged, plan.unclaimed, plan.skipped, derived)


def rederive(site: Site, store: Store) -> None:
    """Derive all facts of all machines from the events in the store.

    All of them, as one machine's news can touch another's facts: it moves the horizon that shift rows reach to.
    """
    # `derive` asks for the events more than once; each time the store would sort them anew.
    events = store.events().collect()
    store.replace_facts(derive(events.lazy(), site))


# --- which files ------------------------------------------------------------------------------------


def _plan(paths: list[Path], site: Site, store: Store, base: Path) -> _Plan:
    plan = _Plan()
    found = []
    documents = {(base / source.devices).resolve() for source in site.source if source.devices}
    for path in paths:
        if not path.exists():
            plan.skipped.append(Skipped(path, "no file or folder of this name found"))
    for path in sorted(_files(paths, store.folder) - {path for path in paths if not path.exists()}):
        if path.resolve() in documents:
            continue
        source = source_for(path, site)
        if source is None:
            plan.unclaimed.append(path)
        else:
            found.append(_Found(path, source, path.stat().st_size))
    _sort_out(plan, found, store.known())
    return plan


def _files(paths: list[Path], store: Path) -> set[Path]:
    inside = store.resolve()
    return {
        file
        for path in paths
        for file in (_walk(path) if path.is_dir() else [path])
        if inside not in file.resolve().parents
    }


def _walk(folder: Path) -> Iterator[Path]:
    for path in folder.rglob("*"):
        hidden = any(part.startswith(".") for part in path.relative_to(folder).parts)
        if not hidden and path.is_file():
            yield path


def _sort_out(plan: _Plan, found: list[_Found], known: KnownFiles) -> None:
    """Tell what is new by the bytes: each file's own identity, and those of its beginnings."""
    sizes: dict[str, set[int]] = {name: set(held) for name, held in known.sizes.items()}
    for file in found:
        sizes.setdefault(file.source.name, set()).add(file.size)
    identities: list[tuple[_Found, str, set[str]]] = []
    for file in found:
        try:
            stored = file.path.read_bytes()
        except OSError as error:
            plan.skipped.append(Skipped(file.path, f"{error.strerror} found, a readable file expected"))
            continue
        begun = beginnings(stored, file.source, {*sizes[file.source.name], len(stored)} - {0} | {len(stored)})
        own = begun.pop(len(stored))
        identities.append((file, own, set(begun.values())))
    beginnings_here = {identity for _, _, begun in identities for identity in begun}
    seen: set[str] = set()
    for file, own, begun in identities:
        if own in known.identities or own in beginnings_here or own in seen:
            plan.unchanged.append(file.path)
        else:
            plan.read.append((file, sorted(begun & known.standing)))
        seen.add(own)


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


# --- reading ----------------------------------------------------------------------------------------


def _read_all(plan: _Plan, site: Site, store: Store, base: Path, told: Callable[[Step], None]) -> list[pl.DataFrame]:
    rows: list[pl.DataFrame] = []
    batch = _Batch()
    read_at = datetime.now(UTC)
    with ThreadPoolExecutor(1) as committer:
        committed: Future[None] | None = None
        for done, (file, former) in enumerate(plan.read, 1):
            try:
                reading = read_file(file.path, file.source, site, read_at, base=base)
            except ReadingError as error:
                plan.skipped.append(Skipped(file.path, str(error)))
            else:
                batch.add(reading, former)
                rows.append(reading.progress)
            if batch.is_full() or (done == len(plan.read) and batch.readings):
                # One batch is committed while the next is read, and never more than these two are held.
                if committed:
                    committed.result()
                committed = committer.submit(store.append, batch.readings, replaces=batch.replaces)
                batch = _Batch()
            told(Step(done, len(plan.read), file.path))
        if committed:
            committed.result()
    return rows

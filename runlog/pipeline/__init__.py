"""From files to facts: find them, read what is new, keep it, derive.

    report = ingest([Path("logs")], site, store, base=Path("."))
    report.progress        # one row a file read: what became of every observation
    report.skipped         # files left alone, each with its reason

What a run leaves behind does not depend on the order of the files, nor on whether they came at once: a
file read before adds nothing, one that has grown is read on from where it was left, and the beginning of another
file in the same run is left alone.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import polars as pl

from runlog.derive.basis import Basis, basis, concerned, read_basis
from runlog.derive.before import Before
from runlog.derive.onward import Held, derive_all, derive_onward
from runlog.errors import ReadingError
from runlog.intake import CannotFollowError, ChangedError, Onward, Reading, read_pieces
from runlog.pipeline.choice import Choice, Due, Found, Skipped
from runlog.pipeline.standards import NewStandard, new_standards, note_standards, sites
from runlog.progress import by_file
from runlog.schema import PROGRESS
from runlog.site import Site
from runlog.store import Store

__all__ = ["IngestReport", "Skipped", "Step", "ingest", "is_current", "rederive"]

BATCH_EVENTS: Final = 100_000
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
    standards : list of NewStandard
        Job standards that differ from those before.
    """

    progress: pl.DataFrame
    unchanged: list[Path]
    unclaimed: list[Path]
    skipped: list[Skipped]
    derived: bool
    standards: list[NewStandard]


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
    done: set[Path] = set()
    changed: list[Found] = []
    for look in range(_LOOKS):
        choice.sort_out(found, site, store, again=again and look == 0)
        reader = _Reader(site, store, base, progress or (lambda _: None))
        rows += reader.read(choice.due)
        choice.skipped += reader.skipped
        changed = reader.changed
        if not (reader.skipped or changed):
            break
        # What was left to a file that could not be read is looked at without it.
        unreadable = {one.path for one in choice.skipped}
        done |= {one.file.path for one in choice.due} - {file.path for file in changed}
        found = [file.as_now() for file in found if file.path not in unreadable]
    else:
        choice.skipped += [Skipped(file.path, "changed while it was read, try again") for file in changed]
    unchanged = [path for path in (*choice.unchanged, *(file.path for file in choice.covered)) if path not in done]
    derived = bool(rows) or not is_current(site, store)
    standards = rederive(site, store) if derived else []
    read = by_file(pl.concat(rows).lazy() if rows else PROGRESS.empty()).collect()
    return IngestReport(read, unchanged, choice.unclaimed, choice.skipped, derived, standards)


def rederive(site: Site, store: Store, *, afresh: bool = False) -> list[NewStandard]:
    """Bring the facts in the store up to date with its events, the site file and the plans.

    Parameters
    ----------
    site : Site
    store : Store
    afresh : bool
        From all events, also where what is new would do, and by this site file throughout: what older job standards
        there were is forgotten.

    Returns
    -------
    list of NewStandard
        Job standards that differ from those before; shifts before keep the old ones.
    """
    new = note_standards(site, store, everywhere=afresh) if store.exists() else []
    held_sites = sites(site, store)
    now = _basis(store, held_sites)
    if afresh or not _derive_onward(site, store, held_sites, now):
        events = store.events().collect().lazy()  # asked for more than once; the store would sort them each time
        _replace(store, now, derive_all(events, held_sites, store.held("plans")))
    return new


def is_current(site: Site, store: Store) -> bool:
    """Whether the facts are those of all events, this site file and the plans in the store."""
    if not store.exists():
        return True
    return not new_standards(site, store) and store.facts_are_current(_basis(store, sites(site, store)).text)


def _basis(store: Store, held_sites: Sequence[Held]) -> Basis:
    return basis(held_sites, store.input_version("plans"))


def _replace(store: Store, now: Basis, facts: Mapping[str, pl.LazyFrame], since: pl.DataFrame | None = None) -> None:
    store.replace_facts(facts, since=since, made_for=now.text, made_of={"plans": now.plans})


def _derive_onward(site: Site, store: Store, held_sites: Sequence[Held], now: Basis) -> bool:
    """Derive from where something is new; False, and nothing done, where that takes all events."""
    stand = store.stand()
    then = stand and read_basis(stand.made_for)
    if not stand or not then:
        return False
    plans = store.held("plans")
    differs = concerned(then, now, site, stand.facts, (store.held_then("plans", then.plans), plans))
    if differs is None:
        return False
    before = Before(
        stand.facts,
        pl.concat([stand.news.news.lazy(), differs.counted]),
        stand.news.heads,
        min((at for at in (stand.news.removed_from, differs.everywhere) if at), default=None),
        differs.alone,
        differs.whole,
    )
    made = derive_onward(before, held_sites, plans, lambda found: _events_from(store, before, found))
    if made is None:
        return False
    facts, cuts = made
    _replace(store, now, facts, cuts)
    return True


def _events_from(store: Store, before: Before, found: pl.DataFrame) -> pl.LazyFrame:
    """Events of each machine from where it begins; all of a machine that is not among these."""
    frames = [
        store.events([*machines], start) for start, machines in found.group_by("begins").agg("machine").iter_rows()
    ]
    known = [before.facts["carried"].filter(pl.col("as_of").is_null()), before.news, before.heads]
    machines = set(pl.concat(frame.select("machine") for frame in known).unique().collect()["machine"])
    if others := machines - set(found["machine"]):
        frames.append(store.events(others))
    return pl.concat(frames)


# --- reading ----------------------------------------------------------------------------------------


@dataclass
class _Batch:
    """Readings on their way into one commit."""

    readings: list[Reading] = field(default_factory=list)
    replaces: dict[str, list[str]] = field(default_factory=dict)
    events: int = 0

    def add(self, reading: Reading, former: list[str]) -> None:
        if former:
            # What waits for the same commit would stay beside that which takes its place.
            self.readings = [one for one in self.readings if one.progress["file"][0] not in former]
            self.replaces[reading.progress["file"][0]] = former
        self.readings.append(reading)
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
        self._batch = _Batch()
        self._committed: Future[None] | None = None
        self.skipped: list[Skipped] = []
        self.changed: list[Found] = []

    def read(self, due: list[Due]) -> list[pl.DataFrame]:
        """PROGRESS of what was read, one row a piece; `skipped` and `changed` hold the files that were not."""
        rows: list[pl.DataFrame] = []
        with ThreadPoolExecutor(1) as committer:
            for done, one in enumerate(due, 1):
                for reading, former in self._one(one):
                    self._batch.add(reading, former)
                    if former:
                        rows = [row for row in rows if row["file"][0] not in former]
                    rows.append(reading.progress)
                    if self._batch.is_full():
                        self._commit(committer)
                if done == len(due) and self._batch.readings:
                    self._commit(committer)
                self._told(Step(done, len(due), one.file.path))
            self._wait()
        return rows

    def _commit(self, committer: ThreadPoolExecutor) -> None:
        # Never more than these two are held.
        self._wait()
        batch, self._batch = self._batch, _Batch()
        self._committed = committer.submit(self._store.append, batch.readings, replaces=batch.replaces)

    def _wait(self) -> None:
        if self._committed:
            self._committed.result()
            self._committed = None

    def _one(self, due: Due) -> Iterator[tuple[Reading, list[str]]]:
        """Readings of a file, and what gives way to each."""
        file = due.file
        try:
            yield from self._pieces(due)
        except ChangedError:
            self.changed.append(file)
        except ReadingError as error:
            self.skipped.append(Skipped(file.path, str(error)))
        except (Exception, pl.exceptions.PanicException) as error:
            # One file that a reader stumbles over must not keep the others out.
            fault = f"a fault of runlog's own, please report it: {type(error).__name__}: {error}"
            self.skipped.append(Skipped(file.path, fault))

    def _pieces(self, due: Due) -> Iterator[tuple[Reading, list[str]]]:
        given: set[str] = set()
        former = due.former
        try:
            for reading in self._read(due, onward=due.onward, as_whole=due.as_whole):
                yield reading, former
                given.add(reading.progress["file"][0])
                former = []
        except CannotFollowError:
            # What came of it so far gives way to the whole.
            former = sorted({*due.former, *due.begun, *given})
            for reading in self._read(due, as_whole=True):
                yield reading, former

    def _read(self, due: Due, *, onward: Onward | None = None, as_whole: bool = False) -> Iterator[Reading]:
        file = due.file
        return read_pieces(
            file.path,
            file.source,
            self._site,
            datetime.now(UTC),
            base=self._base,
            chosen=(due.size, due.identity),
            onward=onward,
            as_whole=as_whole,
        )

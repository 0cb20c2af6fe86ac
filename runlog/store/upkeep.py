"""What keeps a store small and quick while it is written to and read, a little at a time.

    for done in store.tidy():
        ...                     # stop whenever there is something better to do

Three things: files that loads left behind are put together, files that nothing needs are removed, and so are
the entries of the log that a checkpoint has made superfluous. Nothing that readers are given changes. What was
replaced is kept for `delta.KEPT`, so that who reads it can go on; the versions of facts that the present
generation names are kept for as long as it does. Killed anywhere, it leaves at most files that nothing names,
and the next time removes them. Only the commits themselves hold the lock of writers.
"""

import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from deltalake.transaction import AddAction

from runlog.store import delta
from runlog.store.compact import Heap, heaps, put_in_place, written
from runlog.store.folder import INTAKE
from runlog.store.generations import Generations
from runlog.store.lock import writing

_AT_A_TIME: Final = 200
"""Files removed in one slice."""
_UNFINISHED: Final = re.compile(r".*(#\d+|\.tmp)")
"""Names of files that the library had begun to write when it was killed."""


@dataclass(frozen=True)
class Tidied:
    """What was done, in one slice or in several together.

    Attributes
    ----------
    together, into : int
        Files that were put together, and what they became.
    removed, freed : int
        Files removed, and their size. [bytes]
    """

    together: int = 0
    into: int = 0
    removed: int = 0
    freed: int = 0

    def __add__(self, other: "Tidied") -> "Tidied":
        return Tidied(
            self.together + other.together,
            self.into + other.into,
            self.removed + other.removed,
            self.freed + other.freed,
        )


class Upkeep(Generations):
    """The side of a store that looks after its files."""

    def tidy(self) -> Iterator[Tidied]:
        """Put small files together and remove what nothing needs, in slices of about a second.

        Between two slices anything may happen: appends, other readers, the end of the program.

        Yields
        ------
        Tidied
            What the slice did.

        Raises
        ------
        StoreError
            There is no store, or it cannot be written.
        """
        self._check()
        now = datetime.now(UTC)
        # First what makes room, as the disk may be full.
        for path in sorted(log.parent for log in self.folder.glob("*/_delta_log")):
            if delta.exists(path):
                yield from self._clear(path, now - delta.KEPT)
        for name in INTAKE:
            path = self._path(name)
            for heap in heaps(path, now) if delta.exists(path) else ():
                yield from self._put_together(heap)

    def _put_together(self, heap: Heap) -> Iterator[Tidied]:
        made: list[AddAction] = []
        try:
            for file in written(heap):
                made.append(file)
                yield Tidied()
        except BaseException:  # also that nobody wants the next slice
            self._discard(heap, made)
            raise
        with writing(self.folder, self._wait_s):
            took_place = put_in_place(heap, made)
        if took_place:
            yield Tidied(together=len(heap.files), into=len(made))
        else:
            self._discard(heap, made)

    def _discard(self, heap: Heap, made: list[AddAction]) -> None:
        for file in made:
            _remove(heap.table / file.path)

    def _clear(self, path: Path, before: datetime) -> Iterator[Tidied]:
        named = self._versions().get(path.name)
        table = delta.opened(path)
        with delta.told(path):
            unneeded = table.vacuum(
                delta.KEPT // timedelta(hours=1),
                dry_run=True,  # removing them ourselves needs no commit, and can be left off halfway
                enforce_retention_duration=False,
                full=True,
                keep_versions=None if named is None else [named],
            )
            files = [path / file for file in unneeded] + _begun(path, before) + _superfluous(path, named, before)
        for start in range(0, len(files), _AT_A_TIME):
            removed = [_remove(file) for file in files[start : start + _AT_A_TIME]]
            gone = [size for size in removed if size is not None]
            yield Tidied(removed=len(gone), freed=sum(gone))


def _superfluous(path: Path, named: int | None, before: datetime) -> list[Path]:
    """Files of the log older than a checkpoint that itself is old enough, oldest first."""
    commits, checkpoints = delta.entries(path), delta.entries(path, delta.CHECKPOINT)
    # Whoever opened the newest version of that time may still hold it.
    needed = [version for version, entry in commits.items() if _age_of(entry) < before][-1:]
    if named is not None:
        needed.append(named)
    floors = [
        version for version, file in checkpoints.items() if needed and version <= min(needed) and delta.is_parquet(file)
    ]
    floor = max(floors, default=0)
    return sorted(file for log in (commits, checkpoints) for version, file in log.items() if version < floor)


def _begun(path: Path, before: datetime) -> list[Path]:
    return [file for file in path.rglob("*") if _UNFINISHED.fullmatch(file.name) and _age_of(file) < before]


def _age_of(file: Path) -> datetime:
    try:
        return datetime.fromtimestamp(file.stat().st_mtime, UTC)
    except OSError:
        return datetime.max.replace(tzinfo=UTC)


def _remove(file: Path) -> int | None:
    """Its size if it is gone now; None if it stays, as where someone has it open, on Windows."""
    with suppress(OSError):
        size = file.stat().st_size
        file.unlink()
        return size
    return None

"""Which files have changed since they were dealt with, told without reading them."""

from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from stat import S_ISREG
from typing import Final, NamedTuple

from runlog.pipeline.choice import walk

_HEAD: Final = 1024
"""So many first bytes tell nearly all logs apart; those that they do not are compared as a whole. [bytes]"""
_KEY: Final = 64
_PACKED: Final = (".gz", ".zip", ".zst")


class Sight(NamedTuple):
    """What tells that a file is as it was. The clock it goes by may be wrong: it is only compared with itself."""

    size: int
    modified: int
    changed: int
    node: int


class Sightings:
    """Remembers how each file looked when it was dealt with.

    Parameters
    ----------
    folders : list of Path
        Searched to the bottom.
    store : Path
        Folder that is passed over.
    """

    def __init__(self, folders: list[Path], store: Path) -> None:
        self._folders = folders
        self._store = store.resolve()
        self._settled: dict[Path, Sight] = {}
        self._heads: dict[Path, bytes] = {}
        self._by_key: defaultdict[bytes, set[Path]] = defaultdict(set)

    def changed(self, noticed: Iterable[Path] = ()) -> dict[Path, Sight]:
        """Files that are new, look different, or were noticed; as they look now."""
        noticed = set(noticed)
        now: dict[Path, Sight] = {}
        for folder in self._folders:
            for path in walk(folder, self._store):
                if sight := seen(path):
                    now[path] = sight
        for path in self._settled.keys() - now.keys():
            self._forget(path)
        return {path: sight for path, sight in now.items() if self._settled.get(path) != sight or path in noticed}

    def settle(self, path: Path, sight: Sight) -> None:
        """A file was dealt with as it looked before it was read."""
        self._forget(path)
        self._settled[path] = sight
        try:
            with path.open("rb") as file:
                head = file.read(_HEAD)
        except OSError:
            return
        self._heads[path] = head
        self._by_key[head[:_KEY]].add(path)

    def longer_alike(self, paths: Iterable[Path]) -> set[Path]:
        """Files dealt with that may begin with one of these: it could be a copy under way, or cut short."""
        found: set[Path] = set()
        for path in paths:
            try:
                with path.open("rb") as file:
                    head = file.read(_HEAD)
                size = path.stat().st_size
            except OSError:
                continue
            keyed = self._by_key.get(head[:_KEY], set()) if len(head) >= _KEY else set(self._heads)
            found |= {
                other for other in keyed if self._settled[other].size > size and self._heads[other].startswith(head)
            }
        return found

    def forget_all(self) -> None:
        """Look at every file again."""
        for path in list(self._settled):
            self._forget(path)

    def _forget(self, path: Path) -> None:
        self._settled.pop(path, None)
        if (head := self._heads.pop(path, None)) is not None:
            alike = self._by_key[head[:_KEY]]
            alike.discard(path)
            if not alike:
                del self._by_key[head[:_KEY]]


def seen(path: Path) -> Sight | None:
    """How a file looks; None if it is not there, or no file."""
    try:
        found = path.stat()
    except OSError:
        return None
    if not S_ISREG(found.st_mode):
        return None
    return Sight(found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)


def is_unfinished(path: Path) -> bool:
    """Whether a file ends within a line or a document: its writer is probably not done with it."""
    if path.suffix.lower() in _PACKED:
        return False
    try:
        with path.open("rb") as file:
            if not file.seek(0, 2):
                return False
            file.seek(-min(file.tell(), 256), 2)
            end = file.read()
    except OSError:
        return False
    lines = end.replace(b"\0", b"").rstrip(b" \t")
    return not (lines.endswith((b"\n", b"\r")) or lines.rstrip().endswith((b"Streams>", b"}")))

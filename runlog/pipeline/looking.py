"""What files are by their bytes: each file's own identity, and those of the beginnings that matter.

A file may be another one, grown. To tell, the identity of its first so many bytes is needed, for every size that other
one could have had. Of thousands of files that would be thousands of sizes each, so only these are looked at: the sizes
of files that are here and begin with the same bytes; and of what the store holds and is not here any more. A file that
was read before needs the latter only where they were read later: before, they would have given way to it.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, NamedTuple

from runlog.intake.identity import beginnings
from runlog.progress import before_torn_end
from runlog.site import Source
from runlog.store import KnownFiles

_HEAD: Final = 512
"""So many bytes tell whether two files may begin alike."""


@dataclass(frozen=True)
class Found:
    """A file that a source of the site claims."""

    path: Path
    source: Source
    size: int

    def as_now(self) -> "Found":
        """The same file with its size now."""
        try:
            return replace(self, size=self.path.stat().st_size)
        except OSError:
            return self  # told when it is read


class Looked(NamedTuple):
    """What a file is: its identity, its size when that was told, and identities of its beginnings."""

    file: Found
    own: str
    size: int
    begun: set[str]


def look_at(found: list[Found], known: KnownFiles, *, again: bool) -> Iterator[Looked | tuple[Found, OSError]]:
    """Look at files, all of a run together.

    Parameters
    ----------
    found : list of Found
        The files.
    known : KnownFiles
        What the store holds.
    again : bool
        Whether files that were read before are looked at as if they were new.

    Yields
    ------
    Looked, or Found and OSError
        One a file, in their order; the latter where it cannot be read.
    """
    alike = _Alike(found)
    sizes_here = {file.size for file in found}
    ever = {name: {*sizes} for name, sizes in known.sizes.items()}
    away = {
        name: {held.offset for held in standing if held.offset not in sizes_here}
        for name, standing in known.beginnings.items()
    }
    first: list[tuple[Found, set[int], Looked | OSError]] = []
    for file in found:
        name = file.source.name
        is_new = again or file.size not in ever.get(name, ())
        sizes = alike.sizes(file) | (away.get(name, set()) if is_new else set())
        first.append((file, sizes, _look(file, sizes)))
    here = {looked.own for _, _, looked in first if isinstance(looked, Looked)}
    missing = _Missing(known, here)
    for file, sizes, looked in first:
        if isinstance(looked, Looked):
            more = missing.sizes(looked, again=again) - sizes
            looked = _look(file, sizes | more) if more else looked
        yield looked if isinstance(looked, Looked) else (file, looked)


def _look(file: Found, sizes: set[int]) -> Looked | OSError:
    try:
        size, own, begun = beginnings(file.path, file.source, sizes)
    except OSError as error:
        return error
    return Looked(file, own, size, {*begun.values()} - {own})


class _Alike:
    """Sizes of the files here that begin as a file does."""

    def __init__(self, found: list[Found]) -> None:
        self._heads = {file.path: _head(file.path) for file in found}
        self._long: dict[tuple[str, bytes], set[int]] = defaultdict(set)
        self._short: dict[str, dict[int, set[bytes]]] = defaultdict(lambda: defaultdict(set))
        for file in found:
            head, name = self._heads[file.path], file.source.name
            if len(head) == _HEAD:
                self._long[name, head].add(file.size)
            elif head:
                self._short[name][len(head)].add(head)

    def sizes(self, file: Found) -> set[int]:
        head, name = self._heads[file.path], file.source.name
        short = self._short.get(name, {})
        found = {size for size, heads in short.items() if size <= len(head) and head[:size] in heads}
        return found | self._long.get((name, head), set())


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_HEAD)
    except OSError:
        return b""  # told when it is read


class _Missing:
    """Sizes of what the store holds of files that are not here."""

    def __init__(self, known: KnownFiles, here: set[str]) -> None:
        self._loads = known.loads
        self._all: dict[str, set[int]] = {}
        self._later: dict[str, list[tuple[int, int]]] = {}
        for name, standing in known.beginnings.items():
            # What stood before the unfinished end of a file is here with that end.
            kept = {before_torn_end(held.file) for held in standing if held.identity in here}
            away = [held for held in standing if held.identity not in here]
            self._all[name] = {held.offset for held in away}
            self._later[name] = sorted(
                ((held.load, held.offset) for held in away if before_torn_end(held.file) not in kept), reverse=True
            )

    def sizes(self, looked: Looked, *, again: bool) -> set[int]:
        name = looked.file.source.name
        load = self._loads.get(looked.own)
        if load is None or again:
            found = self._all.get(name, set())
        else:
            found = set[int]()
            for since, offset in self._later.get(name, []):
                if since <= load:
                    break
                found.add(offset)
        return {size for size in found if 0 < size < looked.size}

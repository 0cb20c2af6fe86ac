"""Which files of a run are read, told by their bytes: what is new, what has grown, what is there already."""

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from stat import S_ISREG
from typing import Final, NamedTuple

from runlog.intake import source_for
from runlog.intake.identity import beginnings
from runlog.site import Site, Source
from runlog.store import Store

GONE: Final = "gone since it was found"


@dataclass(frozen=True)
class Skipped:
    """A file that was left alone, and why."""

    path: Path
    reason: str


@dataclass(frozen=True)
class Found:
    """A file that a source of the site claims."""

    path: Path
    source: Source
    size: int


@dataclass(frozen=True)
class Due:
    """A file to read.

    Attributes
    ----------
    file : Found
        The file.
    identity, size : str, int
        What it was when it was chosen. [bytes]
    former : list of str
        Identities it takes the place of.
    """

    file: Found
    identity: str
    size: int
    former: list[str]

    def is_still(self, read: str, offset: int) -> bool:
        """Whether what was read is what was chosen, or that and more; no file lets go of `former` otherwise."""
        if read == self.identity:
            return True
        try:
            now = beginnings(self.file.path.read_bytes(), self.file.source, {self.size, offset})
        except OSError:
            return False
        return now.get(self.size) == self.identity and now.get(offset) == read


@dataclass
class Choice:
    """What is done with each file of a run.

    Attributes
    ----------
    due : list of Due
        To be read.
    covered : list of Found
        Left alone because another file of `due` holds all that is in them.
    unchanged, unclaimed : list of Path
        With nothing new; claimed by no source.
    skipped : list of Skipped
        Not readable.
    """

    due: list[Due] = field(default_factory=list)
    covered: list[Found] = field(default_factory=list)
    unchanged: list[Path] = field(default_factory=list)
    unclaimed: list[Path] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)

    def find(self, paths: list[Path], site: Site, store: Path, base: Path) -> list[Found]:
        """The claimed files among these and in these folders, by name; the rest is noted."""
        found = []
        documents = {(base / source.devices).resolve() for source in site.source if source.devices}
        missing = {path for path in paths if not _is_there(path)}
        self.skipped += [Skipped(path, "no file or folder of this name found") for path in paths if path in missing]
        for path in sorted(_files([path for path in paths if path not in missing], store)):
            if documents and path.resolve() in documents:
                continue
            source = source_for(path, site)
            if source is None:
                self.unclaimed.append(path)
                continue
            try:
                told = path.stat()
            except OSError:
                self.skipped.append(Skipped(path, GONE))
                continue
            if S_ISREG(told.st_mode):  # a pipe would keep us for ever
                found.append(Found(path, source, told.st_size))
        return found

    def sort_out(self, found: list[Found], site: Site, store: Store, *, again: bool) -> None:
        """Tell what is new by the bytes: each file's own identity, and those of its beginnings."""
        known = store.known()
        sizes: dict[str, set[int]] = {name: set(held) for name, held in known.sizes.items()}
        for file in found:
            sizes.setdefault(file.source.name, set()).add(file.size)
        former = FormerNames(site, store, found) if again else None
        looked: list[_Looked] = []
        for file in found:
            try:
                stored = file.path.read_bytes()
            except OSError as error:
                reason = GONE if isinstance(error, FileNotFoundError) else f"{error.strerror} found"
                self.skipped.append(Skipped(file.path, f"{reason}, a readable file expected"))
                continue
            begun = beginnings(stored, file.source, {*sizes[file.source.name], len(stored)} - {0} | {len(stored)})
            own = begun.pop(len(stored))
            others = former.of(file, stored) if former else set()
            looked.append(_Looked(file, own, len(stored), set(begun.values()), others))
        beginnings_here = {identity for one in looked for identity in one.begun}
        here = {one.own for one in looked}
        seen: set[str] = set()
        for file, own, size, begun, others in looked:
            replaced = begun & known.standing | others - here
            is_known = own in known.identities
            if own in beginnings_here or own in seen:
                self.covered.append(file)
            elif is_known and not replaced and not (again and own in known.standing):
                self.unchanged.append(file.path)
            else:
                # A file known whole, whose beginning was taken for a file while it was being copied here, is read
                # once more: so the beginning goes, and its torn last line with it.
                self.due.append(Due(file, own, size, sorted(replaced | ({own} if is_known else set()))))
            seen.add(own)


class _Looked(NamedTuple):
    file: Found
    own: str
    size: int
    begun: set[str]
    others: set[str]


class FormerNames:
    """Finds what a file gave under the source or the machine it had before the site file was corrected.

    Equal bytes under another machine are another file, so what another source holds gives way only where that
    source is no more, or does not claim a file of this name any longer.
    """

    def __init__(self, site: Site, store: Store, found: list[Found]) -> None:
        self._by_pair: dict[tuple[str, str], list[tuple[str, int, str]]] = {}
        if not store.exists():
            return
        names = {file.path.name for file in found}
        now = {source.name: source for source in site.source}
        rows = store.progress().select("source", "machine", "file", "offset", "path").collect()
        for source, machine, file, offset, path in rows.iter_rows():
            for key in {machine or "", ""}:
                held = now.get(source)
                stands = held is not None and (held.machine or "") == key
                if not stands or (path in names and not _claims_name(held, path)):
                    self._by_pair.setdefault((source, key), []).append((file, offset, path))

    def of(self, file: Found, stored: bytes) -> set[str]:
        """Identities that these bytes had, whole or as a beginning, under names that count no more."""
        gone = set()
        for (source, machine), rows in self._by_pair.items():
            if (source, machine) == (file.source.name, file.source.machine or ""):
                continue
            before = file.source.model_copy(update={"name": source, "machine": machine or None})
            begun = set(beginnings(stored, before, {offset for _, offset, _ in rows} - {0}).values())
            gone |= {identity for identity, _, _ in rows if identity in begun}
        return gone


def _claims_name(source: Source | None, name: str) -> bool:
    patterns = source.files if source else []
    return any(fnmatchcase(name, pattern.replace("\\", "/").rpartition("/")[2]) for pattern in patterns)


# --- folders ----------------------------------------------------------------------------------------


def _is_there(path: Path) -> bool:
    try:
        path.stat()
    except OSError:
        return False
    return True


def _files(paths: Iterable[Path], store: Path) -> set[Path]:
    inside = store.resolve()
    outside = [path for path in paths if inside not in (resolved := path.resolve(), *resolved.parents)]
    return {file for path in outside for file in (walk(path, inside) if path.is_dir() else [path])}


def walk(folder: Path, but: Path) -> Iterator[Path]:
    """Files of a folder to the bottom; hidden ones, and those in the folder `but`, are passed over.

    What vanishes meanwhile is no error.
    """
    for place, folders, names in os.walk(folder):
        here = Path(place)
        folders[:] = sorted(name for name in folders if not name.startswith(".") and (here / name).resolve() != but)
        yield from (here / name for name in sorted(names) if not name.startswith("."))

"""Which files of a run are read, told by their bytes: what is new, what has grown, what is there already."""

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from stat import S_ISREG
from typing import Final

from runlog.intake import Carry, Onward, source_for
from runlog.intake.identity import beginnings, unpacked_name
from runlog.pipeline.looking import Found, Looked, look_at
from runlog.progress import TAIL
from runlog.site import Site, Source
from runlog.store import KnownFiles, Store

GONE: Final = "gone since it was found"


@dataclass(frozen=True)
class Skipped:
    """A file that was left alone, and why."""

    path: Path
    reason: str


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
        Names of the rows it takes the place of.
    begun : list of str
        Names of the rows that go as well if it is not read on but from its beginning.
    onward : Onward, optional
        Where it was left, if it can be read on from there.
    as_whole : bool
        It must be read in one piece: the name of its first piece is that of another file's rows.
    """

    file: Found
    identity: str
    size: int
    former: list[str]
    begun: list[str]
    onward: Onward | None = None
    as_whole: bool = False


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
        self.due, self.covered, self.unchanged = [], [], []
        known = store.known()
        former = FormerNames(site, store, found) if again else None
        looked: list[tuple[Looked, dict[str, str]]] = []
        for one in look_at(found, known, again=again):
            if isinstance(one, Looked):
                try:
                    looked.append((one, former.of(one.file) if former else {}))
                except OSError as error:
                    self._cannot_read(one.file, error)
            else:
                self._cannot_read(*one)
        beginnings_here = {identity for one, _ in looked for identity in one.begun}
        here = {one.own for one, _ in looked}
        seen: set[str] = set()
        goes_on = {} if again else _going_on([one for one, _ in looked if one.own not in beginnings_here], known, store)
        for one, others in looked:
            given_up = {file for identity, file in others.items() if identity not in here}
            # Of a packed file that was read piece by piece by a run that died, the pieces give way.
            if one.own not in known.identities and (name := unpacked_name(one.own)) in known.names:
                given_up.add(name)
            if one.own in beginnings_here or one.own in seen:
                self.covered.append(one.file)
            elif due := _due(one, known, store, given_up, goes_on, again=again):
                self.due.append(due)
            else:
                self.unchanged.append(one.file.path)
            seen.add(one.own)

    def _cannot_read(self, file: Found, error: OSError) -> None:
        reason = GONE if isinstance(error, FileNotFoundError) else f"{error.strerror} found"
        self.skipped.append(Skipped(file.path, f"{reason}, a readable file expected"))


def _going_on(looked: list[Looked], known: KnownFiles, store: Store) -> dict[str, str]:
    """Which file's rows are read on in this run, by their name, and the identity of the file that has grown.

    Rows that one file goes on with are no other's: two files may begin alike and go on differently, as where a log was
    cut short and written on, and what it was before comes back. Neither must take away what the other adds.
    """
    goes_on: dict[str, str] = {}
    for one in looked:
        if one.own not in known.identities and (onward := _onward(_begun(one, known), store)):
            goes_on.setdefault(onward.file, one.own)
    return goes_on


def _begun(one: Looked, known: KnownFiles) -> dict[str, tuple[str, int]]:
    """Rows in use that a file begins with, by the identity of its beginning."""
    return {prefix: known.standing[prefix] for prefix in one.begun if prefix in known.standing}


def _due(
    one: Looked, known: KnownFiles, store: Store, others: set[str], goes_on: dict[str, str], *, again: bool
) -> Due | None:
    """What is to be read of a file, and what gives way to it, `others` anyway; None if nothing is new."""
    standing = known.standing
    # A torn end was one file's alone: it goes also where another file goes on with what stood before it.
    begun = {
        prefix: (file, offset)
        for prefix, (file, offset) in _begun(one, known).items()
        if TAIL in file or goes_on.get(file, one.own) == one.own
    }
    # A file with a tail has rows under two names; the one is no beginning of the other.
    own = known.kept_under(one.own)
    beginnings = {file for file, _ in begun.values()} - own
    if one.own in known.identities:
        if one.own not in standing and own & known.names.keys():
            # Another file goes on from its rows: they are that one's, and what gives way does so with it.
            return None
        if not (beginnings | others or (again and one.own in standing)):
            return None
        # Its beginning was taken for a file while it was being copied here: it is read once more, so that the
        # beginning goes, and its torn last line with it.
        former = sorted(beginnings | others | own)
        return Due(one.file, one.own, one.size, former, [], as_whole=known.is_parted(one.own))
    onward = None if again else _onward(begun, store)
    if onward is None:
        return Due(one.file, one.own, one.size, sorted(beginnings | others), [])
    return Due(one.file, one.own, one.size, sorted({*beginnings, *others} - {onward.file}), [onward.file], onward)


def _onward(begun: dict[str, tuple[str, int]], store: Store) -> Onward | None:
    """The longest beginning that can be read on from."""
    for prefix, (file, offset) in sorted(begun.items(), key=lambda held: -held[1][1]):
        if TAIL not in file and (stored := store.carry(file, offset)) and (carry := Carry.from_bytes(stored)):
            return Onward(file, offset, prefix, carry)
    return None


class FormerNames:
    """Finds what a file gave under the source or the machine it had before the site file was corrected.

    Equal bytes under another machine are another file, so what another source holds gives way only where that
    source is no more, or does not claim a file of this name any longer.
    """

    def __init__(self, site: Site, store: Store, found: list[Found]) -> None:
        self._by_pair: dict[tuple[str, str], list[tuple[str, int, str]]] = {}
        """By source and machine: names of rows, and the size and identity of what was read."""
        if not store.exists():
            return
        names = {file.path.name for file in found}
        now = {source.name: source for source in site.source}
        rows = store.progress().select("source", "machine", "file", "offset", "prefix", "path").collect()
        for source, machine, file, offset, prefix, path in rows.iter_rows():
            for key in {machine or "", ""}:
                held = now.get(source)
                stands = held is not None and (held.machine or "") == key
                if not stands or (path in names and not _claims_name(held, path)):
                    self._by_pair.setdefault((source, key), []).append((file, offset, prefix))

    def of(self, file: Found) -> dict[str, str]:
        """Rows of these bytes, whole or of a beginning, under names that count no more: by identity."""
        gone = {}
        for (source, machine), rows in self._by_pair.items():
            if (source, machine) == (file.source.name, file.source.machine or ""):
                continue
            before = file.source.model_copy(update={"name": source, "machine": machine or None})
            _, own, found = beginnings(file.path, before, {offset for _, offset, _ in rows} - {0})
            begun = {own, *found.values()}
            gone |= {prefix: name for name, _, prefix in rows if prefix in begun}
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

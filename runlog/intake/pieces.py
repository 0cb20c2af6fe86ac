"""A file piece by piece: so that a large one fits into memory, and a grown one is read from where it was left.

CSV and adapter lines are read in pieces of whole lines, XML in pieces of whole documents. What follows the last line
feed, or the last whole document, is a *tail*: read at once, as nobody knows whether more will come, but kept under a
name of its own, so that it can give way when it does. What a file packed with gzip or zstd holds is read in pieces
too, but always from its beginning. JSON and zip are read as a whole. So is a file whose pieces cannot be read on their
own, see `carry`.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from io import SEEK_END, SEEK_SET, BufferedReader, RawIOBase
from pathlib import Path
from typing import IO, Any, Final, Protocol

from runlog.errors import ReadingError
from runlog.intake.carry import CannotFollowError, Carry
from runlog.intake.detect import MTCONNECT_STREAMS, detect, is_json
from runlog.intake.identity import Fingerprint, joined_identity, steps, unpacked_name
from runlog.intake.packing import MOST_BYTES, PLAIN, STREAMED, TOO_MUCH, packing, unpacked_steps
from runlog.intake.reading import Part, Reading
from runlog.intake.walk import UTF16, Starts, is_closed
from runlog.intake.whole import read_bytes, read_part
from runlog.progress import TAIL
from runlog.site import Site, Source

PIECE_BYTES: Final = 4 * 1024 * 1024
"""Read at a time."""


@dataclass(frozen=True)
class Onward:
    """Where a file was left.

    Attributes
    ----------
    file : str
        Identity its rows are kept under.
    offset, prefix : int, str
        The bytes that were read, and their identity.
    carry : Carry
        What is remembered of them.
    """

    file: str
    offset: int
    prefix: str
    carry: Carry


class ChangedError(Exception):
    """The file is not what it was when it was chosen."""


def read_pieces(
    path: Path,
    source: Source,
    site: Site,
    read_at: datetime,
    *,
    base: Path,
    chosen: tuple[int, str] | None = None,
    onward: Onward | None = None,
    as_whole: bool = False,
) -> Iterator[Reading]:
    """Read a file from the beginning, or from where it was left.

    Parameters
    ----------
    path : Path
        The file.
    source : Source
        The source it belongs to.
    site : Site
        Names the machines, and the zone of stamps without one.
    read_at : datetime
        The instant of reading, with zone.
    base : Path
        Folder that `source.devices` is relative to.
    chosen : tuple of int and str, optional
        Size and identity it had when it was chosen; what has come since is left for another time. [bytes]
    onward : Onward, optional
        Where it was left.
    as_whole : bool
        Read it in one piece.

    Yields
    ------
    Reading
        One a piece, in order. The first comes only once it is sure that it belongs to the file that was chosen.

    Raises
    ------
    ReadingError
        It cannot be opened or unpacked, or is in no known format.
    CannotFollowError
        It must be read as a whole; what came so far must give way to that.
    ChangedError
        Other bytes are found than those chosen.
    """
    try:
        with path.open("rb", buffering=0) as file:
            upto = BufferedReader(_UpTo(file, chosen[0]) if chosen else file)
            yield from _Pieces(path, source, site, read_at, base, upto, chosen).read(onward, as_whole=as_whole)
    except OSError as error:
        raise ReadingError(f"{path}: {error.strerror} found, a readable file expected") from None


class _UpTo(RawIOBase):
    """The first so many bytes of a file, as if there were no more.

    A file may grow between the look at it and the reading. What was chosen is what is read: more could make it a file
    that was read before under another name, and its rows would be there twice.
    """

    def __init__(self, file: RawIOBase, size: int) -> None:
        self._file, self._size = file, size

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = SEEK_SET) -> int:
        return self._file.seek(self._size + offset) if whence == SEEK_END else self._file.seek(offset, whence)

    def readinto(self, buffer: Any, /) -> int:
        left = max(0, self._size - self._file.tell())
        return self._file.readinto(memoryview(buffer)[:left]) or 0


class _Pieces:
    def __init__(
        self,
        path: Path,
        source: Source,
        site: Site,
        read_at: datetime,
        base: Path,
        file: IO[bytes],
        chosen: tuple[int, str] | None,
    ) -> None:
        self._name = path.name
        self._site, self._read_at, self._base = site, read_at, base
        self._source = source
        self._file = file
        self._chosen = chosen
        self._done = Fingerprint(source)

    def read(self, onward: Onward | None, *, as_whole: bool) -> Iterator[Reading]:
        if onward:
            self._skip(onward)
            yield from self._parts(onward.carry.format, self._next(), onward)
            return
        start = self._next()
        if not as_whole and self._chosen and packing(start) in STREAMED and self._unpacks_to_much():
            yield from self._packed()
            return
        if not (as_whole or packing(start) != PLAIN):
            format = detect(start, self._source, self._name)
            if format != MTCONNECT_STREAMS or not (is_json(start) or start.startswith(UTF16)):
                yield from self._parts(format, start, None)
                return
        self._file.seek(0)
        whole = b"".join(steps(self._file, MOST_BYTES + 1))
        if len(whole) > MOST_BYTES:
            raise ReadingError(f"{self._name}: {TOO_MUCH}")
        self._done.update(whole)
        self._check(self._done)
        yield read_bytes(whole, self._name, self._source, self._site, self._read_at, base=self._base)

    # --- bytes ---------------------------------------------------------------------------------------

    def _skip(self, onward: Onward) -> None:
        for step in steps(self._file, onward.offset):
            self._done.update(step)
        if self._done.size != onward.offset or self._done.value() != onward.prefix:
            raise ChangedError

    def _next(self) -> bytes:
        return b"".join(steps(self._file, PIECE_BYTES))

    def _check(self, whole: Fingerprint) -> None:
        """Whether what was read to the end is what was chosen."""
        if self._chosen and whole.value() != self._chosen[1]:
            raise ChangedError

    # --- whole lines, whole documents ----------------------------------------------------------------

    def _parts(self, format: str, held: bytes, onward: Onward | None) -> Iterator[Reading]:
        file, carry = (onward.file, onward.carry) if onward else ("", None)
        more, ends = held, _ends(format)
        while True:
            at_end = len(more) < PIECE_BYTES
            cut = ends.cut(held, at_end=at_end)
            upto = self._done.after(held[:cut])
            if at_end:
                self._check(upto.after(held[cut:]))
            if cut:
                own = file or self._identity(upto, is_whole=at_end and cut == len(held))
                reading = ends.checked(self._part(held[:cut], format, own, upto, carry), at_end=cut == len(held))
                # Without anything to carry on with, more must be read along with it.
                if reading.carry or (at_end and cut == len(held)):
                    yield reading
                    file, carry, held, self._done = own, reading.carry, held[cut:], upto
                    ends = _ends(format)
            if at_end:
                break
            more = self._next()
            held += more
            if len(held) > MOST_BYTES:
                raise ReadingError(f"{self._name}: {TOO_MUCH}")
        if held:
            whole = self._done.after(held)
            own = f"{file}{TAIL}{whole.value()}" if file else whole.value()
            yield replace(self._part(held, format, own, whole, carry), carry=None)

    # --- packed ----------------------------------------------------------------------------------------

    def _unpacks_to_much(self) -> bool:
        """Whether it is too large to be read at once; ReadingError if it is damaged, before anything is kept of it."""
        return sum(map(len, self._unpacked())) > PIECE_BYTES

    def _unpacked(self) -> Iterator[bytes]:
        return unpacked_steps(self._file, self._file.seek(0, SEEK_END), self._name)

    def _packed(self) -> Iterator[Reading]:
        """Pieces of what is in it. Only the last one carries the file's size and identity: killed before, all is
        read again."""
        self._file.seek(0)
        for step in steps(self._file):
            self._done.update(step)
        self._check(self._done)
        identity = self._done.value()
        name, unpacked = unpacked_name(identity), _Portions(self._unpacked())
        held = more = unpacked.next()
        format = detect(held, self._source, self._name)
        if format == MTCONNECT_STREAMS and (is_json(held) or held.startswith(UTF16)):
            raise CannotFollowError("content that can only be read as a whole")
        begins, carry, ends = 0, None, _ends(format)
        while held:
            at_end = len(more) < PIECE_BYTES
            cut = len(held) if at_end else ends.cut(held, at_end=False)
            if cut:
                offset = self._done.size if at_end else begins + cut
                prefix = identity if at_end else f"{identity}@{offset}"
                part = Part(name, begins, offset, prefix, self._lines_in(held[:cut], format))
                reading = ends.checked(self._read(held[:cut], format, part, carry), at_end=at_end)
                if reading.carry or at_end:
                    yield replace(reading, carry=None)
                    begins, carry, held, ends = begins + cut, reading.carry, held[cut:], _ends(format)
            if not at_end:
                more = unpacked.next()
                held += more
            if len(held) > MOST_BYTES:
                raise ReadingError(f"{self._name}: {TOO_MUCH}")

    def _identity(self, upto: Fingerprint, *, is_whole: bool) -> str:
        if is_whole or self._chosen is None:
            return upto.value()
        # Two files may begin alike: what they were chosen as tells them apart.
        return joined_identity(self._chosen[1], upto.value())

    def _part(self, content: bytes, format: str, own: str, upto: Fingerprint, carry: Carry | None) -> Reading:
        lines = self._lines_in(content, format)
        return self._read(content, format, Part(own, upto.size - len(content), upto.size, upto.value(), lines), carry)

    @staticmethod
    def _lines_in(content: bytes, format: str) -> int | None:
        return 0 if format == MTCONNECT_STREAMS else content.count(b"\n") if content.endswith(b"\n") else None

    def _read(self, content: bytes, format: str, part: Part, carry: Carry | None) -> Reading:
        return read_part(
            content,
            format,
            self._name,
            self._source,
            self._site,
            self._read_at,
            base=self._base,
            part=part,
            carry=carry,
        )


class _Portions:
    """Bytes that come in steps, in portions of PIECE_BYTES; the last is shorter."""

    def __init__(self, steps: Iterator[bytes]) -> None:
        self._steps = steps
        self._left = b""

    def next(self) -> bytes:
        found = [self._left]
        size = len(self._left)
        while size < PIECE_BYTES and (step := next(self._steps, b"")):
            found.append(step)
            size += len(step)
        whole = b"".join(found)
        self._left = whole[PIECE_BYTES:]
        return whole[:PIECE_BYTES]


# --- where a piece may end ---------------------------------------------------------------------------


class _Ends(Protocol):
    """Where the bytes that are held may be parted."""

    def cut(self, held: bytes, *, at_end: bool) -> int:
        """How many of them are a piece; 0 if there must be more."""
        ...

    def checked(self, reading: Reading, *, at_end: bool) -> Reading:
        """What was read of a piece, now that it is read; `at_end` if nothing is held behind it."""
        ...


def _ends(format: str) -> _Ends:
    return _Documents() if format == MTCONNECT_STREAMS else _Lines()


class _Lines:
    def cut(self, held: bytes, *, at_end: bool) -> int:
        return held.rfind(b"\n") + 1

    def checked(self, reading: Reading, *, at_end: bool) -> Reading:
        return reading


class _Documents:
    def __init__(self) -> None:
        self._starts = Starts(is_all=False)

    def cut(self, held: bytes, *, at_end: bool) -> int:
        starts = self._starts.look(held)
        if at_end and is_closed(held):
            return len(held)
        return starts[-1] if len(starts) > 1 else 0

    def checked(self, reading: Reading, *, at_end: bool) -> Reading:
        if at_end and reading.carry and not reading.carry.dialect["closed"]:
            # A damaged document may turn out to be another one when more comes.
            return replace(reading, carry=None)
        if not (at_end or reading.carry):
            raise CannotFollowError("documents that must be read together")
        return reading

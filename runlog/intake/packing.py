"""Packed logs: gzip, zstd, and zip, each member of which is a file of its own.

Packing is told by the first bytes, never by the name. What unpacks to far more than any log would is refused
before it fills the memory.
"""

import gzip
import io
import lzma
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import IO, Final

import zstandard

from runlog.errors import ReadingError

PLAIN: Final = "not packed"
STREAMED: Final = ("gzip", "zstd")
"""Packed as one stream, which can be unpacked a little at a time."""
SUFFIXES: Final = (".gz", ".zst", ".zip")

_MAGIC: Final = {b"\x1f\x8b": "gzip", b"\x28\xb5\x2f\xfd": "zstd", b"PK\x03\x04": "zip", b"PK\x05\x06": "zip"}
MOST_BYTES: Final = 2 * 1024**3
TOO_MUCH: Final = f"more than {MOST_BYTES:,} bytes found that must be read at once, fewer expected; split it by day"
_MOST_MEMBERS: Final = 10_000
_MOST_WINDOW: Final = 128 * 1024**2
_UNSUSPICIOUS: Final = 64 * 1024**2
_MOST_RATIO: Final = 300
"""Times its packed size that a log may have; those of machines come to 10 to 60."""
_STEP: Final = 4 * 1024**2
_FEW: Final = 1024


@dataclass(frozen=True)
class Member:
    """One file out of a packed one: its name, and its bytes."""

    name: str
    content: bytes


def packing(content: bytes) -> str:
    """How a file is packed: gzip, zstd, zip, or not."""
    return next((kind for magic, kind in _MAGIC.items() if content.startswith(magic)), PLAIN)


def bare_name(name: str) -> str:
    """A file's name without what its packing added.

    Examples
    --------
    >>> bare_name("logs/T01.csv.gz")
    'logs/T01.csv'
    """
    return next((name.removesuffix(suffix) for suffix in SUFFIXES if name.endswith(suffix)), name)


def unpacked(content: bytes, name: str) -> bytes:
    """The bytes themselves, or what they hold if they are packed with gzip or zstd.

    ReadingError if a packed file is damaged, or if there are more bytes than can be read at once.
    """
    kind = packing(content)
    if kind == "gzip":
        return _collected(_steps(gzip.GzipFile(fileobj=io.BytesIO(content))), len(content), kind, name)
    if kind == "zstd":
        return _collected(_frames(content), len(content), kind, name)
    if len(content) > MOST_BYTES:
        raise ReadingError(f"{name}: {TOO_MUCH}")
    return content


def unpacked_steps(file: IO[bytes], size: int, name: str) -> Iterator[bytes]:
    """What a file packed with gzip or zstd holds, a little at a time.

    ReadingError once it proves to be damaged, or to unpack to more than any log would.
    """
    file.seek(0)
    kind = packing(file.read(_FEW))
    file.seek(0)
    found = _steps(gzip.GzipFile(fileobj=file)) if kind == "gzip" else _frames(file.read())
    yield from _limited(found, max(_UNSUSPICIOUS, _MOST_RATIO * size), size, kind, name)


def members(content: bytes, name: str) -> Iterator[Member]:
    """The files of a zip, in their order, each unpacked once more if it is packed itself.

    What operating systems add on their own is left out. ReadingError if the archive cannot be opened.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError) as error:
        raise ReadingError(f"{name}: {error} found, a whole zip file expected") from None
    held = [info for info in archive.infolist() if not info.is_dir() and not _is_added(info.filename)]
    if len(held) > _MOST_MEMBERS:
        raise ReadingError(f"{name}: {len(held)} files in it found, at most {_MOST_MEMBERS} expected")
    for info in held:
        inside = f"{name}/{info.filename}"
        if info.flag_bits & 1:
            raise ReadingError(f"{inside}: a password found, a file that opens without one expected")
        try:
            stored = _collected(_steps(archive.open(info)), info.compress_size, "zip", inside)
        except (zipfile.BadZipFile, NotImplementedError, ValueError) as error:
            raise ReadingError(f"{inside}: {error} found, a whole member of the zip file expected") from None
        if packing(stored) == "zip":
            raise ReadingError(f"{inside}: a zip file in a zip file found, one or the other expected")
        yield Member(info.filename, unpacked(stored, inside))


def _is_added(name: str) -> bool:
    parts = PurePosixPath(name.replace("\\", "/")).parts
    return any(part.startswith((".", "__MACOSX")) for part in parts)


def _steps(stream: IO[bytes] | gzip.GzipFile) -> Iterator[bytes]:
    return iter(lambda: stream.read(_STEP), b"")


def _frames(content: bytes) -> Iterator[bytes]:
    """What the frames of a zstd file hold; EOFError if the last one is not whole."""
    unpacker = zstandard.ZstdDecompressor(max_window_size=_MOST_WINDOW)
    frame, rest = unpacker.decompressobj(), memoryview(content)
    while rest:
        # Few bytes at a time: 4 of them can hold 128 KiB.
        step, rest = rest[:_FEW], rest[_FEW:]
        yield frame.decompress(step)
        if frame.eof:
            unread = len(frame.unused_data)
            rest = memoryview(content)[len(content) - len(rest) - unread :]
            frame = unpacker.decompressobj()
            if not rest:
                return
    raise EOFError("the end of the file before the end of its content")


def _collected(steps: Iterator[bytes], size: int, kind: str, name: str) -> bytes:
    most = min(MOST_BYTES, max(_UNSUSPICIOUS, _MOST_RATIO * size))
    return b"".join(_limited(steps, most, size, kind, name))


def _limited(steps: Iterator[bytes], most: int, size: int, kind: str, name: str) -> Iterator[bytes]:
    found = 0
    try:
        for step in steps:
            found += len(step)
            if found > most:
                raise ReadingError(f"{name}: {size:,} bytes that unpack to more than {most:,} found, a log expected")
            yield step
    except (OSError, EOFError, zlib.error, lzma.LZMAError, zipfile.BadZipFile, zstandard.ZstdError) as error:
        raise ReadingError(f"{name}: {error} found, a whole {kind} file expected") from None

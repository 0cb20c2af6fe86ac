"""Which source a file belongs to, and what its bytes are."""

import gzip
import re
import zlib
from fnmatch import fnmatchcase
from io import BytesIO
from pathlib import Path
from typing import Final

from runlog.errors import ReadingError
from runlog.site import Site, Source

CSV: Final = "csv"
ADAPTER_LINES: Final = "adapter lines"
MTCONNECT_STREAMS: Final = "mtconnect streams"

_GZIP: Final = b"\x1f\x8b"
_LOOKED_AT: Final = 64 * 1024
_LINE: Final = re.compile(r"^\s*(?:\d{4}-\d{2}-\d{2}[T ][0-9:.,]+[^|,;\t]*)?\|[^|]+\|")
_COMMAND: Final = re.compile(r"^\s*\*\s")
_MOST_BYTES: Final = 2 * 1024**3


def source_for(path: Path, site: Site) -> Source | None:
    """The first source of the site that claims a file.

    A pattern is matched against the file's name; one with a slash against the end of its path. A `.gz` at the
    end of the name makes no difference. None if no source claims it.
    """
    for source in site.source:
        if any(_claims(pattern, path) for pattern in source.files):
            return source
    return None


def unpacked(content: bytes, name: str) -> bytes:
    """The bytes themselves, or what they hold if they are gzip-ed.

    ReadingError if a packed file is damaged, or if there are more bytes than can be read at once.
    """
    plain = content
    if content.startswith(_GZIP):
        try:
            with gzip.GzipFile(fileobj=BytesIO(content)) as packed:
                plain = packed.read(_MOST_BYTES + 1)
        except (OSError, EOFError, zlib.error) as error:
            raise ReadingError(f"{name}: {error} found, a whole gzip file expected") from None
    if len(plain) > _MOST_BYTES:
        raise ReadingError(f"{name}: more than {_MOST_BYTES:,} bytes found, fewer expected; split it by day")
    return plain


def detect(content: bytes, source: Source, name: str) -> str:
    """The format of a file: as its source declares it, else by its first bytes.

    ReadingError if neither tells. A file without content is taken as what its source hints at, else as adapter
    lines: it holds nothing either way.
    """
    if source.format != "auto":
        return source.format
    start = _as_text(content[:_LOOKED_AT]).lstrip("\ufeff\0 \t\r\n")
    if start.startswith("<") or "<MTConnect" in start:
        return MTCONNECT_STREAMS
    lines = [line for line in start.splitlines() if line.strip() and not _COMMAND.match(line)]
    if any(_LINE.match(line) for line in lines[:50]):
        return ADAPTER_LINES
    if source.csv is not None:
        return CSV
    if not lines:
        return ADAPTER_LINES
    raise ReadingError(
        f"{name}: {lines[0][:60]!r} found, expected adapter lines (`stamp|key|value`), an MTConnectStreams"
        f" document, or a CSV with a `csv` section in source {source.name!r}"
    )


def _as_text(start: bytes) -> str:
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        return start.decode("utf-16", errors="replace")
    return start.decode("utf-8", errors="replace")


def _claims(pattern: str, path: Path) -> bool:
    pattern = pattern.replace("\\", "/").removesuffix(".gz")
    parts = path.as_posix().removesuffix(".gz").split("/")
    wanted = pattern.strip("/").split("/")
    tail = parts[-len(wanted) :]
    return len(tail) == len(wanted) and all(map(fnmatchcase, tail, wanted))

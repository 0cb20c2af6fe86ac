"""Which source a file belongs to, and what its bytes are."""

import re
import zipfile
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Final

from runlog.errors import ReadingError
from runlog.intake.csv_columns import is_header
from runlog.intake.csv_records import MOST_PREAMBLE, decoded, fields_of, sniffed
from runlog.intake.packing import bare_name
from runlog.site import Site, Source

CSV: Final = "csv"
ADAPTER_LINES: Final = "adapter lines"
MTCONNECT_STREAMS: Final = "mtconnect streams"

_LOOKED_AT: Final = 64 * 1024
_LINE: Final = re.compile(r"^\s*(?:\d{4}-\d{2}-\d{2}[T ][0-9:.,]+[^|,;\t]*)?\|[^|]+\|")
_COMMAND: Final = re.compile(r"^\s*\*\s")
_JSON: Final = re.compile(r"^[\[{]")


def source_for(path: Path, site: Site) -> Source | None:
    """The first source of the site that claims a file.

    A pattern is matched against the file's name; one with a slash against the end of its path. A `.gz`, `.zst` or
    `.zip` at the end of the name makes no difference. An archive that no source claims belongs to the source that
    claims the first of its files. None if there is no such source.
    """
    claimed = _claimed(path, site)
    if claimed is None and path.suffix.lower() == ".zip":
        inside = (_claimed(path.parent / name, site) for name in _names_inside(path))
        return next((source for source in inside if source), None)
    return claimed


def member_source(name: str, source: Source, site: Site) -> Source:
    """The source of a file in an archive: the one that claims it, else the archive's."""
    return _claimed(Path(name), site) or source


def _claimed(path: Path, site: Site) -> Source | None:
    for source in site.source:
        if any(_claims(pattern, path) for pattern in source.files):
            return source
    return None


def _names_inside(path: Path) -> list[str]:
    try:
        with zipfile.ZipFile(path) as archive:
            return archive.namelist()
    except (OSError, zipfile.BadZipFile, NotImplementedError, ValueError):
        return []


def detect(content: bytes, source: Source, name: str) -> str:
    """The format of a file: as its source declares it, else by its first bytes.

    ReadingError if neither tells. A file without content is taken as what its source hints at, else as adapter
    lines: it holds nothing either way.
    """
    if source.format != "auto":
        return source.format
    looks = looks_like(content, source)
    if looks:
        return looks
    start = beginning(content)
    if source.csv is not None:
        return CSV
    if not start.strip():
        return ADAPTER_LINES
    raise ReadingError(
        f"{name}: {start.strip().splitlines()[0][:60]!r} found, expected adapter lines (`stamp|key|value`), an"
        f" MTConnectStreams document, or a CSV with a `csv` section in source {source.name!r}"
    )


def looks_like(content: bytes, source: Source | None = None) -> str | None:
    """The format that the first bytes show for sure, else None: a CSV shows it only by the columns of its source."""
    start = beginning(content)
    if start.startswith("<") or "<MTConnect" in start or is_json(content):
        return MTCONNECT_STREAMS
    lines = [line for line in start.splitlines() if line.strip() and not _COMMAND.match(line)]
    if source is not None and source.csv is not None:
        wanted, mark = is_header(source.csv), source.csv.delimiter
        if any(wanted(fields_of(line, mark or sniffed(line))) for line in lines[:MOST_PREAMBLE]):
            return CSV
    if any(_LINE.match(line) for line in lines[:50]):
        return ADAPTER_LINES
    return None


def is_json(content: bytes) -> bool:
    """Whether a file holds an agent's answer in JSON."""
    start = beginning(content)
    return bool(_JSON.match(start)) and '"MTConnect' in start[:2000]


def beginning(content: bytes) -> str:
    """The first characters of a file, without marks of its encoding and blanks before them."""
    return decoded(content[:_LOOKED_AT]).lstrip("\ufeff\0 \t\r\n")


def _claims(pattern: str, path: Path) -> bool:
    pattern = bare_name(pattern.replace("\\", "/"))
    parts = bare_name(path.as_posix()).split("/")
    wanted = pattern.strip("/").split("/")
    tail = parts[-len(wanted) :]
    return len(tail) == len(wanted) and all(map(fnmatchcase, tail, wanted))

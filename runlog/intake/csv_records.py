"""The bytes of a CSV file as records: decoded, split at the right places, those of a wrong width set aside.

The header is the first of the first lines that has the names wanted: programs write titles, dates and
`sep=;` above it. Lines above it are preamble, and so is the header where it comes again in the middle of a file.

Python touches the header only; the body is split and counted by columns. A record may span lines where a
quoted field holds a line break, so records are numbered by the line on which they begin, from 1.
"""

import csv
import io
import re
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import polars as pl

from runlog.errors import ReadingError

DELIMITERS: Final = ",;\t|"
SHOWN: Final = 500
"""Characters of a record that a reject keeps."""
MOST_PREAMBLE: Final = 60
"""Lines among which a header is looked for."""
MOST_COLUMNS: Final = 4_000
_LOOKED_AT: Final = 256 * 1024
_OF_UTF16: Final = 0.7

Wanted = Callable[[list[str]], bool]
"""Whether the fields of a line are the names of the columns."""


@dataclass(frozen=True)
class Records:
    """A CSV file, read as text.

    Attributes
    ----------
    delimiter : str
        What parts the fields.
    header : list of str
        Names of the columns, trimmed.
    cells : pl.DataFrame
        `line`, then one text column a field, named "0", "1", ...; an empty cell is null.
    raw : pl.DataFrame
        `line` and `raw`: every record of `cells` as it stood there.
    ragged : pl.DataFrame
        `line`, `raw` and `fields` of the records with more or fewer fields than the header.
    preamble : int
        Lines that are no records: those above the header, and headers that come again.
    head : str
        The header as it stands there; empty of a file without one.
    is_plain : bool
        Whether each line is a record, and its quotes tell the same whatever stands in other lines.
    """

    delimiter: str
    header: list[str]
    cells: pl.DataFrame
    raw: pl.DataFrame
    ragged: pl.DataFrame
    preamble: int
    head: str
    is_plain: bool


def records(
    content: bytes | str,
    delimiter: str | None = None,
    *,
    wanted: Wanted = lambda _: True,
    columns: list[str] | None = None,
) -> Records:
    """Split a CSV file.

    Parameters
    ----------
    content : bytes
        The file: UTF-8 with or without mark, UTF-16, else Windows-1252; or its text.
    delimiter : str, optional
        What separates fields; found from the header if not given.
    wanted : callable
        Tells the header by its names; where no line has them, the first is taken.
    columns : list of str, optional
        Names of the columns, of a file without a header.

    Returns
    -------
    Records

    Raises
    ------
    ReadingError
        There are more than `MOST_COLUMNS` columns.
    """
    text = decoded(content) if isinstance(content, bytes) else content
    above, head = (0, "") if columns else header(text, delimiter, wanted)
    first = _first_record(text, 0) if columns else head
    delimiter = delimiter or sniffed(first)
    names = columns or fields_of(head, delimiter)
    if len(names) > MOST_COLUMNS:
        raise ReadingError(f"{len(names)} columns found, at most {MOST_COLUMNS} expected")
    begins = above + 1 + head.count("\n") if head else above
    found, after, sound = _body(text, head, begins, names, delimiter, quoted=True)
    cells = _cells(sound, len(names), delimiter)
    is_plain = '"' not in text or (cells is not None and _closes_each_line(found, text))
    if cells is None:
        # Where quotes do not fit together they are part of the text.
        found, after, sound = _body(text, head, begins, names, delimiter, quoted=False)
        cells = _split(sound, len(names), delimiter)
    return Records(
        delimiter,
        names,
        cells,
        sound.select("line", pl.col("raw").str.head(SHOWN)),
        after.filter(pl.col("fields") != len(names)).with_columns(pl.col("raw").str.head(SHOWN)),
        len(found) - len(after) - bool(head),
        head,
        is_plain,
    )


def _closes_each_line(found: pl.DataFrame, text: str) -> bool:
    odd = pl.col("raw").str.count_matches('"', literal=True) % 2 == 1
    joined = pl.col("raw").str.contains("\n", literal=True)
    return text.count('"') % 2 == 0 and not found.select((odd | joined).any()).item()


def _body(
    text: str, head: str, begins: int, names: list[str], delimiter: str, *, quoted: bool
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """All records, those below the header, and of these the ones of its width."""
    found = _with_width(_lines(text, quoted=quoted), delimiter, quoted=quoted)
    after = found.filter(pl.col("line") > begins)
    if head and len(names) > 1:
        after = after.filter(pl.col("raw") != head)
    return found, after, after.filter(pl.col("fields") == len(names))


def header(text: str, delimiter: str | None = None, wanted: Wanted = lambda _: True) -> tuple[int, str]:
    """How many lines stand above the header, and the header itself.

    Examples
    --------
    >>> header("Shop;;\\ntime;parts\\n", wanted=lambda names: "time" in names)
    (1, 'time;parts')
    """
    at = above = 0
    for _ in range(MOST_PREAMBLE):
        record = _first_record(text, at)
        if wanted(fields_of(record, delimiter or sniffed(record))):
            return above, record
        at = text.find("\n", at + len(record)) + 1
        above += record.count("\n") + 1
        if not at or at > _LOOKED_AT:
            break
    blank = len(text[:_LOOKED_AT]) - len(text[:_LOOKED_AT].lstrip())
    above = text.count("\n", 0, blank)
    return above, _first_record(text, text.rfind("\n", 0, blank) + 1)


def fields_of(record: str, delimiter: str) -> list[str]:
    """Fields of one record, trimmed."""
    try:
        return [name.strip() for name in next(csv.reader(io.StringIO(record), delimiter=delimiter), [])]
    except csv.Error:  # a field of more than 128 KiB
        return []


def decoded(content: bytes) -> str:
    """Text of a file."""
    return content.removeprefix(BOM_UTF8).decode(encoding_of(content), errors="replace")


def encoding_of(content: bytes) -> str:
    """Encoding of a file; Windows-1252 is what programs wrote that did not say what they wrote."""
    if content.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return "utf-16"
    if unmarked := _unmarked_utf16(content):
        return unmarked
    try:
        content.removeprefix(BOM_UTF8).decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _unmarked_utf16(content: bytes) -> str | None:
    """Every other byte of Latin letters in UTF-16 is 0, and text of any other encoding has no such byte."""
    start = content[:2000]
    zeros = [start[first::2].count(0) / max(len(start) // 2, 1) for first in (0, 1)]
    if max(zeros) < _OF_UTF16 or min(zeros) > 1 - _OF_UTF16:
        return None
    return "utf-16-le" if zeros[1] > zeros[0] else "utf-16-be"


def sniffed(head: str) -> str:
    """Delimiter of a header: the one that occurs most, a comma if none does.

    Examples
    --------
    >>> sniffed("time;a,b;c")
    ';'
    """
    bare = re.sub('"[^"]*"', "", head)
    return max(DELIMITERS, key=lambda mark: (bare.count(mark), mark == ","))


def _first_record(text: str, at: int) -> str:
    end = first = text.find("\n", at)
    while 0 <= end < at + _LOOKED_AT and text.count('"', at, end) % 2:
        end = text.find("\n", end + 1)
    if not 0 <= end < at + _LOOKED_AT and text.count('"', at, first) % 2:
        end = first  # a quote that never ends is a mark of inches
    return text[at:end].rstrip("\r") if end >= 0 else text[at:].rstrip("\r")


def _lines(text: str, *, quoted: bool) -> pl.DataFrame:
    """Records with the line on which each begins; blank ones left out."""
    lines = pl.DataFrame({"raw": pl.Series([text]).str.split("\n").explode()}).with_row_index("line", 1)
    lines = lines.select(pl.col("line").cast(pl.Int64), pl.col("raw").str.strip_chars_end("\r"))
    # An odd number of quotes in all: one of them is a mark of inches, not of a field, and so may the others be.
    if quoted and '"' in text and text.count('"') % 2 == 0:
        lines = _joined(lines)
    return lines.filter(pl.col("raw").str.strip_chars() != "")


def _joined(lines: pl.DataFrame) -> pl.DataFrame:
    open_after = pl.col("raw").str.count_matches('"', literal=True).cum_sum() % 2
    begins = open_after.shift(1, fill_value=0) == 0
    if lines.select(begins.all()).item():
        return lines
    return (
        lines.group_by(begins.cum_sum().alias("record"), maintain_order=True)
        .agg(pl.col("line").first(), pl.col("raw").str.join("\n"))
        .drop("record")
    )


def _with_width(found: pl.DataFrame, delimiter: str, *, quoted: bool) -> pl.DataFrame:
    bare = pl.col("raw")
    if quoted and found.select(bare.str.contains('"', literal=True).any()).item():
        bare = bare.str.replace_all('"[^"]*"', "")
    return found.with_columns(fields=bare.str.count_matches(delimiter, literal=True).cast(pl.Int64) + 1)


def _cells(sound: pl.DataFrame, width: int, delimiter: str) -> pl.DataFrame | None:
    """Fields as columns; None where quotes part other fields than were counted."""
    names = [str(number) for number in range(width)]
    if not len(sound):
        return pl.DataFrame(schema={"line": pl.Int64} | dict.fromkeys(names, pl.String))
    body = sound.select(pl.col("raw").str.join("\n")).item().encode()
    try:
        cells = pl.read_csv(
            body,
            has_header=False,
            new_columns=names,
            separator=delimiter,
            infer_schema=False,
            truncate_ragged_lines=True,
        )
    except pl.exceptions.PolarsError:
        return None
    if cells.shape != (len(sound), width):
        return None
    return _trimmed(sound, cells)


def _split(sound: pl.DataFrame, width: int, delimiter: str) -> pl.DataFrame:
    """Fields as columns, quotes being letters like any other."""
    names = [str(number) for number in range(width)]
    parts = sound.select(pl.col("raw").str.split_exact(delimiter, width - 1).struct.rename_fields(names).alias("parts"))
    return _trimmed(sound, parts.unnest("parts"))


def _trimmed(sound: pl.DataFrame, cells: pl.DataFrame) -> pl.DataFrame:
    return sound.select("line").hstack(cells).with_columns(pl.col(cells.columns).str.strip_chars().replace("", None))

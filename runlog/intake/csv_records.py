"""The bytes of a CSV file as records: decoded, split at the right places, those of a wrong width set aside.

Python touches the header only; the body is split and counted by columns. A record may span lines where a
quoted field holds a line break, so records are numbered by the line on which they begin, from 1.
"""

import csv
import io
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from dataclasses import dataclass
from typing import Final

import polars as pl

DELIMITERS: Final = ",;\t|"
SHOWN: Final = 500
"""Characters of a record that a reject keeps."""


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
    """

    delimiter: str
    header: list[str]
    cells: pl.DataFrame
    raw: pl.DataFrame
    ragged: pl.DataFrame


def records(content: bytes, delimiter: str | None = None) -> Records:
    """Split a CSV file.

    Parameters
    ----------
    content : bytes
        The file: UTF-8 with or without mark, UTF-16 with mark, else Windows-1252.
    delimiter : str, optional
        What separates fields; found from the header if not given.

    Returns
    -------
    Records
    """
    text = decoded(content)
    head = _first_record(text)
    delimiter = delimiter or sniffed(head)
    header = [name.strip() for name in next(csv.reader(io.StringIO(head), delimiter=delimiter), [])]
    found = _with_width(_lines(text), delimiter)
    after = found.filter(pl.col("line") > 1 + head.count("\n"))
    sound = after.filter(pl.col("fields") == len(header))
    return Records(
        delimiter,
        header,
        _cells(sound, len(header), delimiter),
        sound.select("line", pl.col("raw").str.head(SHOWN)),
        after.filter(pl.col("fields") != len(header)).with_columns(pl.col("raw").str.head(SHOWN)),
    )


def decoded(content: bytes) -> str:
    """Text of a file; Windows-1252 is what programs wrote that did not say what they wrote."""
    if content.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        return content.decode("utf-16", errors="replace")
    try:
        return content.removeprefix(BOM_UTF8).decode("utf-8")
    except UnicodeDecodeError:
        return content.removeprefix(BOM_UTF8).decode("cp1252", errors="replace")


def sniffed(head: str) -> str:
    """Delimiter of a header: the one that occurs most, a comma if none does.

    Examples
    --------
    >>> sniffed("time;a,b;c")
    ';'
    """
    return max(DELIMITERS, key=lambda mark: (head.count(mark), mark == ","))


def _first_record(text: str) -> str:
    end = text.find("\n")
    while end >= 0 and text.count('"', 0, end) % 2:
        end = text.find("\n", end + 1)
    return text[:end].rstrip("\r") if end >= 0 else text.rstrip("\r")


def _lines(text: str) -> pl.DataFrame:
    """Records with the line on which each begins; blank ones left out."""
    lines = pl.DataFrame({"raw": pl.Series([text]).str.split("\n").explode()}).with_row_index("line", 1)
    lines = lines.select(pl.col("line").cast(pl.Int64), pl.col("raw").str.strip_chars_end("\r"))
    # An odd number of quotes in all: one of them is a mark of inches, not of a field, and so may the others be.
    if '"' in text and text.count('"') % 2 == 0:
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


def _with_width(found: pl.DataFrame, delimiter: str) -> pl.DataFrame:
    bare = pl.col("raw")
    if found.select(bare.str.contains('"', literal=True).any()).item():
        bare = bare.str.replace_all('"[^"]*"', "")
    return found.with_columns(fields=bare.str.count_matches(delimiter, literal=True).cast(pl.Int64) + 1)


def _cells(sound: pl.DataFrame, width: int, delimiter: str) -> pl.DataFrame:
    names = [str(number) for number in range(width)]
    if not len(sound):
        return pl.DataFrame(schema={"line": pl.Int64} | dict.fromkeys(names, pl.String))
    body = sound.select(pl.col("raw").str.join("\n")).item().encode()
    cells = _parsed(body, names, delimiter, '"')
    if cells is None or len(cells) != len(sound):
        # Stray quotes: they are part of the text.
        cells = _parsed(body, names, delimiter, None)
    assert cells is not None
    return sound.select("line").hstack(cells).with_columns(pl.col(names).str.strip_chars().replace("", None))


def _parsed(body: bytes, names: list[str], delimiter: str, quote: str | None) -> pl.DataFrame | None:
    try:
        return pl.read_csv(
            body,
            has_header=False,
            new_columns=names,
            separator=delimiter,
            quote_char=quote,
            infer_schema=False,
            truncate_ragged_lines=True,
        )
    except pl.exceptions.ComputeError:
        if quote is None:
            raise
        return None

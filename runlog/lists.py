"""Lists that people and their systems write, as CSV files with a header: a plan of the order system, for one.

    rows = read_list(path, ("date", "shift", "machine"), optional=("reason",))
    refuse(path, rows, {"date": (date_of("date").is_null(), "a date such as 2026-11-23")})

Columns may stand in any order, separated by comma, semicolon, tab or bar, and others may stand beside them. Unlike a
log, a list that holds a mistake is refused as a whole, with all its mistakes: somebody can correct it and come again.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import polars as pl

from runlog.errors import ReadingError
from runlog.intake.csv_records import records

_SHOWN: Final = 20
"""Mistakes told of one list; the others are counted."""


def read_list(path: Path, needed: Sequence[str], optional: Sequence[str] = ()) -> pl.DataFrame:
    """Read a list as trimmed text.

    Parameters
    ----------
    path : Path
        CSV; UTF-8, UTF-16 or Windows-1252.
    needed, optional : sequence of str
        Names of its columns, in lower case; upper case in the file does not matter.

    Returns
    -------
    DataFrame
        `line`, then the columns named; a cell that is empty, or a column that is not there, is null. Empty rows are
        left out.

    Raises
    ------
    ReadingError
        The file cannot be read, lacks a column, or has rows of another width.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ReadingError(f"{path}: cannot be read: {error.strerror or error}") from None
    read = records(content, wanted=lambda names: set(needed) <= set(_lower(names)))
    names = _lower(read.header)
    if missing := [name for name in needed if name not in names]:
        found = ", ".join(name for name in names if name) or "none"
        raise ReadingError(
            f"{path.name}: columns {found} found, also these expected: {', '.join(missing)} "
            f"(all of them: {', '.join([*needed, *optional])})"
        )
    if read.ragged.height:
        wide = pl.format("line {}: {} fields found, {} expected", "line", "fields", pl.lit(len(names)))
        _refuse(path, read.ragged.sort("line").select(wide)[:, 0].to_list())
    places = {name: names.index(name) for name in (*needed, *optional) if name in names}
    cells = read.cells.select("line", **{name: pl.col(str(place)) for name, place in places.items()}).with_columns(
        **{name: pl.lit(None, pl.String) for name in optional if name not in places}
    )
    texts = pl.col(*needed, *optional)
    return cells.with_columns(texts.str.strip_chars().replace("", None)).filter(pl.any_horizontal(texts.is_not_null()))


def _lower(names: Sequence[str]) -> list[str]:
    return [name.strip().lower() for name in names]


def date_of(name: str) -> pl.Expr:
    """A date such as 2026-11-23 or 23.11.2026; null where it is none."""
    text = pl.col(name)
    return pl.coalesce(text.str.to_date("%Y-%m-%d", strict=False), text.str.to_date("%d.%m.%Y", strict=False))


def refuse(path: Path, rows: pl.DataFrame, checks: Mapping[str, tuple[pl.Expr, str]]) -> None:
    """Refuse a list that holds mistakes, with all of them.

    Parameters
    ----------
    path : Path
        How messages call it.
    rows : DataFrame
        From `read_list`.
    checks : mapping of str to (Expr, str)
        By column: where it is wrong, and what is expected there.

    Raises
    ------
    ReadingError
        A line a mistake: file, line, column, found, expected.
    """
    found = pl.concat(
        rows.filter(wrong).select(
            "line",
            said=pl.format("line {}: {}: {} found, {} expected", "line", pl.lit(name), _quoted(name), pl.lit(wanted)),
        )
        for name, (wrong, wanted) in checks.items()
    )
    if found.height:
        _refuse(path, found.sort("line", maintain_order=True)["said"].to_list())


def _quoted(name: str) -> pl.Expr:
    return pl.coalesce(pl.format("'{}'", name), pl.lit("nothing"))


def _refuse(path: Path, mistakes: list[str]) -> None:
    more = [f"{path.name}: and {len(mistakes) - _SHOWN} more"] if len(mistakes) > _SHOWN else []
    raise ReadingError("\n".join([*(f"{path.name}: {mistake}" for mistake in mistakes[:_SHOWN]), *more]))

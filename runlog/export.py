"""A frame to a file that leaves the house: `.csv`, `.parquet` or `.json`, by its suffix.

Times are written in ISO 8601 with their zone. In CSV, a text that begins with `=`, `+`, `-`, `@`, a tab or a
carriage return gets an apostrophe in front unless it is a number: programs that open tables would run it as a
formula, and what is in a log was written by anybody. The other two formats keep every text as it is.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Final

import polars as pl

from runlog.errors import RunlogError

__all__ = ["ExportError", "export"]

_FORMULA: Final = r"^[=+\-@\t\r]"


class ExportError(RunlogError):
    """A file that cannot be written: another suffix, no such folder, no right to write there."""


def export(frame: pl.LazyFrame, to: Path) -> None:
    """Write a frame; the file is there as a whole or, if anything fails, as it was before.

    Parameters
    ----------
    frame : pl.LazyFrame
        What to write.
    to : Path
        The file, replaced if it is there.

    Raises
    ------
    ExportError
        The suffix is none of the three, or the file cannot be written.
    """
    write = _WRITERS.get(to.suffix.lower())
    if write is None:
        raise ExportError(f"{to}: {to.suffix or 'no suffix'} found, one of {', '.join(_WRITERS)} expected")
    part = to.with_name(f".{to.name}.{os.getpid()}.part")
    try:
        write(frame, part)
        part.replace(to)
    except OSError as error:
        raise ExportError(f"{to}: cannot be written: {error.strerror or error}") from None
    finally:
        part.unlink(missing_ok=True)


def _to_csv(frame: pl.LazyFrame, to: Path) -> None:
    frame = _with_iso_times(frame)
    texts = [name for name, kind in frame.collect_schema().items() if kind == pl.String]
    frame.with_columns(_disarmed(pl.col(name)).alias(name) for name in texts).collect().write_csv(to)


def _to_parquet(frame: pl.LazyFrame, to: Path) -> None:
    frame.collect().write_parquet(to)


def _to_json(frame: pl.LazyFrame, to: Path) -> None:
    _with_iso_times(frame).collect().write_json(to)


def _with_iso_times(frame: pl.LazyFrame) -> pl.LazyFrame:
    zoned = [name for name, kind in frame.collect_schema().items() if isinstance(kind, pl.Datetime) and kind.time_zone]
    return frame.with_columns(pl.col(zoned).dt.to_string("iso:strict"))


def _disarmed(text: pl.Expr) -> pl.Expr:
    starts_formula = text.str.contains(_FORMULA) & text.cast(pl.Float64, strict=False).is_null()
    return pl.when(starts_formula).then(pl.lit("'") + text).otherwise(text)


_WRITERS: Final[dict[str, Callable[[pl.LazyFrame, Path], None]]] = {
    ".csv": _to_csv,
    ".parquet": _to_parquet,
    ".json": _to_json,
}

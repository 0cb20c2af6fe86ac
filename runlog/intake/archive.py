"""An archive's files as one reading: it is read, kept and replaced as a whole."""

from datetime import datetime
from typing import Any, Final

import polars as pl

from runlog.intake.reading import Reading
from runlog.schema import EVENTS, PROGRESS, REJECTS
from runlog.site import Source

_SUMMED: Final = ("rows", "offered", "events", "rejects", "unchanged", "ignored", "moved")
_SHOWN: Final = 5


def together(
    readings: list[tuple[str, Reading]], name: str, source: Source, identity: str, size: int, read_at: datetime
) -> Reading:
    """Join what was read of each file of an archive.

    Lines count on from file to file, so that no two are the same; a reject's reason names its file and line there.

    Parameters
    ----------
    readings : list of tuple of str and Reading
        By name, in the order of the archive.
    name, identity, size
        Of the archive. [bytes]
    source : Source
        The source that claims the archive.
    read_at : datetime
        When it was read.

    Returns
    -------
    Reading
    """
    events, rejects, before = [EVENTS.empty().collect()], [REJECTS.empty().collect()], 0
    for inside, reading in readings:
        further = pl.col("line") + before
        place = pl.format("{} line {}: {}", pl.lit(inside), "line", "reason")
        events.append(reading.events.with_columns(further))
        rejects.append(reading.rejects.with_columns(further, reason=place, path=pl.lit(name)))
        before += _last(reading)
    rows = pl.concat([PROGRESS.empty().collect(), *(reading.progress for _, reading in readings)])
    told: dict[str, Any] = {
        "source": source.name,
        "machine": _only(rows["machine"]),
        "file": identity,
        "path": name,
        "format": _only(rows["format"]) or "several",
        "begins": 0,
        "offset": size,
        "prefix": identity,
        "moved_most_s": rows["moved_most_s"].max(),
        "first_at": rows["first_at"].min(),
        "last_at": rows["last_at"].max(),
        "note": "; ".join([_files(readings), *_notes(rows)]),
        "read_at": read_at,
    }
    told |= {column: int(rows[column].sum()) for column in _SUMMED}
    return Reading(
        events=pl.concat(events),
        rejects=pl.concat(rejects),
        progress=PROGRESS.conform(pl.LazyFrame([told], schema=PROGRESS.schema)).collect(),
    )


def _last(reading: Reading) -> int:
    lines = (frame["line"].max() for frame in (reading.events, reading.rejects))
    return max(int(line) for line in (0, *lines) if isinstance(line, int))


def _only(words: pl.Series) -> str:
    names = words.unique()
    return names.item() if names.len() == 1 else ""


def _files(readings: list[tuple[str, Reading]]) -> str:
    names = ", ".join(name for name, _ in readings[:_SHOWN])
    return f"{len(readings)} files in it: {names}{', ...' if len(readings) > _SHOWN else ''}"


def _notes(rows: pl.DataFrame) -> list[str]:
    noted = rows.filter(pl.col("note") != "").select(pl.format("{}: {}", "path", "note").alias("note"))
    return noted["note"].to_list()

"""What a format module hands over, and what becomes of it.

A format module (`lines`, `streams`, `csv`) turns the bytes of one file into an `Offered`: observations in
file order, repeats included, and what it could not read. `finish` does what is the same for every format:
it marks heads, applies the two-clocks rule, drops immediate repeats, numbers returns and keeps the account
`offered = events + rejects + unchanged + ignored`.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import polars as pl

from runlog.intake.clocks import from_the_end, lost_stamps, mark_heads, numbered, place, written_newest_first
from runlog.intake.distinct import is_unchanged, returns
from runlog.schema import EVENTS, PROGRESS, REJECTS
from runlog.site import Source

FINISHED: Final = ("at", "nth", "head", "body_start", "file", "source")
"""Columns of EVENTS that only `finish` can know."""

OBSERVATIONS: Final = pl.Schema({n: c.dtype for n, c in EVENTS.columns.items() if n not in FINISHED})
"""Columns and types of `Offered.observations`; it may carry `instance` (text) besides, see there."""

REFUSED: Final = pl.Schema({name: REJECTS.columns[name].dtype for name in ("line", "cell", "raw", "reason")})
"""Columns and types of `Offered.rejects`."""


@dataclass(frozen=True)
class Offered:
    """What a format module gives back for one file.

    Attributes
    ----------
    observations : pl.DataFrame
        Columns OBSERVATIONS in file order (agent documents: in sequence order), immediate repeats
        included. An extra text column `instance` splits a file into parts whose order must not be compared.
    rejects : pl.DataFrame
        Columns REFUSED.
    rows : int
        Lines, elements or rows read.
    ignored : int
        Observations or lines ignored: comments, commands, assets, unmapped cells.
    note : str
        What a person should know of this file; empty if nothing.
    """

    observations: pl.DataFrame
    rejects: pl.DataFrame
    rows: int
    ignored: int
    note: str


@dataclass(frozen=True)
class Reading:
    """What intake gives to the store for one file.

    Attributes
    ----------
    events : pl.DataFrame
        Schema EVENTS.
    rejects : pl.DataFrame
        Schema REJECTS.
    progress : pl.DataFrame
        Schema PROGRESS, one row.
    """

    events: pl.DataFrame
    rejects: pl.DataFrame
    progress: pl.DataFrame


def finish(
    offered: Offered,
    *,
    source: Source,
    file: str,
    path: str,
    format: str,
    size: int,
    clock_skew_s: float,
    read_at: datetime,
) -> Reading:
    """Turn what a format module offered into rows for the store.

    Parameters
    ----------
    offered : Offered
        What the format module read.
    source : Source
        The source the file belongs to.
    file, path, format : str
        Identity of the file, its name when read, and the name of its format.
    size : int
        Bytes read. [count]
    clock_skew_s : float
        Furthest two clocks of one machine are apart; 0 switches the two-clocks rule off. [s]
    read_at : datetime
        When it was read, with zone.

    Returns
    -------
    Reading
    """
    observations = numbered(offered.observations)
    note = [offered.note] if offered.note else []
    if format != "mtconnect streams" and written_newest_first(observations, clock_skew_s):
        observations = from_the_end(observations)
        note.append("written newest first: read from its end, lines count from there")
    if format == "adapter lines":
        observations = mark_heads(observations)
    else:
        observations = observations.with_columns(pl.lit(False).alias("head"))
    lost = lost_stamps(observations)
    rejects = pl.concat([offered.rejects.cast(REFUSED), _refuse_lost(observations.filter(lost))])
    placed = place(observations.filter(~lost) if lost.any() else observations, clock_skew_s)
    unchanged = is_unchanged(placed)
    kept = placed.filter(~unchanged)
    named = {"file": file, "source": source.name}
    events = kept.with_columns(returns(kept).alias("nth"), **{name: pl.lit(value) for name, value in named.items()})
    events = EVENTS.conform(events.lazy()).collect()
    told = {"source": source.name, "file": file, "path": path, "read_at": read_at}
    refused = rejects.with_columns(pl.lit(value).alias(name) for name, value in told.items())
    progress = {
        **told,
        "machine": source.machine or _only(events["machine"]),
        "format": format,
        "offset": size,
        "rows": offered.rows,
        "offered": offered.observations.height + offered.rejects.height + offered.ignored,
        "events": events.height,
        "rejects": rejects.height,
        "unchanged": int(unchanged.sum()),
        "ignored": offered.ignored,
        "note": "; ".join(note),
        **_moves(events),
    }
    return Reading(
        events=events,
        rejects=REJECTS.conform(refused.lazy()).collect(),
        progress=PROGRESS.conform(pl.LazyFrame([progress])).collect(),
    )


def _refuse_lost(lost: pl.DataFrame) -> pl.DataFrame:
    stamp = pl.col("stamped").dt.to_string("iso:strict")
    raw = pl.format("{}|{}|{}", stamp, "data_item", pl.col("text").fill_null(""))
    reason = "stamp more than a day outside the time of its file, expected one within it; is a clock wrong?"
    return lost.select("line", "cell", raw.alias("raw"), pl.lit(reason).alias("reason")).cast(REFUSED)


def _only(machines: pl.Series) -> str:
    names = machines.unique()
    return names.item() if names.len() == 1 else ""


def _moves(events: pl.DataFrame) -> dict[str, Any]:
    by = (pl.col("at") - pl.col("stamped")).dt.total_microseconds() / 1e6
    moved = pl.col("at") != pl.col("stamped")
    return events.select(
        moved.sum().alias("moved"),
        by.filter(moved).max().alias("moved_most_s"),
        pl.col("at").filter(~pl.col("head")).min().alias("first_at"),
        pl.col("at").max().alias("last_at"),
    ).row(0, named=True)

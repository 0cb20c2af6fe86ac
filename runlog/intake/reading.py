"""What a format module hands over, and what becomes of it.

A format module (`lines`, `streams`, `csv`) turns the bytes of one file into an `Offered`: observations in
file order, repeats included, and what it could not read. `finish` does what is the same for every format:
it marks heads, applies the two-clocks rule, drops immediate repeats, numbers returns and keeps the account
`offered = events + rejects + unchanged + ignored`.
"""

from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final

import polars as pl

from runlog.intake.carry import OBSERVATIONS, CannotFollowError, Carry
from runlog.intake.clocks import from_the_end, lost_stamps, mark_heads, numbered, place, written_newest_first
from runlog.intake.distinct import is_unchanged, returns
from runlog.intake.follow import carried_on, carry_after, remembered
from runlog.schema import EVENTS, PROGRESS, REJECTS
from runlog.site import Source

__all__ = ["OBSERVATIONS", "REFUSED", "CannotFollowError", "Carry", "Offered", "Part", "Reading", "finish"]

REFUSED: Final = pl.Schema({name: REJECTS.columns[name].dtype for name in ("line", "cell", "raw", "reason")})
"""Columns and types of `Offered.rejects`."""


@dataclass(frozen=True)
class Offered:
    """What a format module gives back for one file, or a piece of one.

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
    dialect : dict, optional
        What the format module must find again to read on from the end of this; None if it cannot. Its `instance`, if
        it has one, is the one under way.
    zoned : bool
        Whether every stamp carried its zone.
    """

    observations: pl.DataFrame
    rejects: pl.DataFrame
    rows: int
    ignored: int
    note: str
    dialect: dict[str, Any] | None = None
    zoned: bool = False


@dataclass(frozen=True)
class Part:
    """Where a reading stands in its file.

    Attributes
    ----------
    file : str
        Identity of the file its rows are kept under.
    begins, offset : int
        The bytes read: from the one to before the other. [bytes]
    prefix : str
        Identity of the first `offset` bytes.
    lines : int, optional
        Lines in them, 0 where rows are not found by their line; None if nobody will read on.
    """

    file: str
    begins: int
    offset: int
    prefix: str
    lines: int | None = None


@dataclass(frozen=True)
class Reading:
    """What intake gives to the store for one file, or a piece of one.

    Attributes
    ----------
    events : pl.DataFrame
        Schema EVENTS.
    rejects : pl.DataFrame
        Schema REJECTS.
    progress : pl.DataFrame
        Schema PROGRESS, one row.
    carry : Carry, optional
        What is needed to read on from its end; None if the file can only be read as a whole.
    """

    events: pl.DataFrame
    rejects: pl.DataFrame
    progress: pl.DataFrame
    carry: Carry | None = field(default=None, repr=False)


def finish(
    offered: Offered,
    *,
    source: Source,
    part: Part,
    path: str,
    format: str,
    clock_skew_s: float,
    zone: str,
    read_at: datetime,
    carry: Carry | None = None,
) -> Reading:
    """Turn what a format module offered into rows for the store.

    Parameters
    ----------
    offered : Offered
        What the format module read.
    source : Source
        The source the file belongs to.
    part : Part
        Which part of which file it is.
    path, format : str
        The file's name when read, and the name of its format.
    clock_skew_s : float
        Furthest two clocks of one machine are apart; 0 switches the two-clocks rule off. [s]
    zone : str
        Zone of stamps that carry none.
    read_at : datetime
        When it was read, with zone.
    carry : Carry, optional
        What is remembered of the file up to there.

    Returns
    -------
    Reading

    Raises
    ------
    CannotFollowError
        With `carry`: the file must be read as a whole.
    """
    note = [offered.note] if offered.note else []
    rejects = offered.rejects.cast(REFUSED)
    repeating = None if offered.zoned else zone
    instance = (offered.dialect or {}).get("instance", "")
    if carry:
        placed, unchanged, nth, groups = carried_on(offered.observations, carry, clock_skew_s, repeating, format)
        rejects = rejects.with_columns(pl.col("line") + carry.lines)
        after = remembered(placed, ~unchanged, carry, groups, instance)
    else:
        observations = numbered(offered.observations)
        is_backwards = format != "mtconnect streams" and written_newest_first(observations, clock_skew_s)
        if is_backwards:
            observations = from_the_end(observations)
            note.append("written newest first: read from its end, lines count from there")
        if format == "adapter lines":
            observations = mark_heads(observations)
        else:
            observations = observations.with_columns(pl.lit(False).alias("head"))
        lost = lost_stamps(observations)
        rejects = pl.concat([rejects, _refuse_lost(observations.filter(lost))])
        placed = place(observations.filter(~lost) if lost.any() else observations, clock_skew_s)
        unchanged = is_unchanged(placed)
        nth = returns(placed.filter(~unchanged))
        can_follow = offered.dialect is not None and part.lines is not None and not (is_backwards or lost.any())
        after = carry_after(placed, ~unchanged, repeating, format, instance) if can_follow else None
    kept = placed.filter(~unchanged)
    named = {"file": part.file, "source": source.name}
    events = kept.with_columns(nth.alias("nth"), **{name: pl.lit(value) for name, value in named.items()})
    events = EVENTS.conform(events.lazy()).collect()
    told = {"source": source.name, "file": part.file, "path": path, "read_at": read_at}
    refused = rejects.with_columns(pl.lit(value).alias(name) for name, value in told.items())
    progress = {
        **told,
        "machine": source.machine or _only(events["machine"]),
        "format": format,
        "begins": part.begins,
        "offset": part.offset,
        "prefix": part.prefix,
        "rows": offered.rows,
        "offered": offered.observations.height + offered.rejects.height + offered.ignored,
        "events": events.height,
        "rejects": rejects.height,
        "unchanged": int(unchanged.sum()),
        "ignored": offered.ignored,
        "note": "; ".join(note),
        **_moves(events),
    }
    lines = (part.lines or 0) + (carry.lines if carry else 0)
    return Reading(
        events=events,
        rejects=REJECTS.conform(refused.lazy()).collect(),
        progress=PROGRESS.conform(pl.LazyFrame([progress])).collect(),
        carry=replace(after, lines=lines, dialect=offered.dialect) if after and offered.dialect is not None else None,
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

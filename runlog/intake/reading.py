"""What a format module hands over, and what becomes of it.

A format module (`lines`, `streams`, `csv`) turns the bytes of one file into an `Offered`: observations in
file order, repeats included, and what it could not read. `finish` does what is the same for every format:
it marks heads, applies the two-clocks rule, drops immediate repeats, numbers returns and keeps the account
`offered = events + rejects + unchanged + ignored`.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import polars as pl

from runlog.schema import EVENTS, REJECTS
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
        Columns OBSERVATIONS in file order (agent documents: in sequence order), immediate repeats included. An
        extra text column `instance` splits a file into parts whose order must not be compared.
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
    raise NotImplementedError

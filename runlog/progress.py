"""How files were read: one row a file, whatever number of pieces it was read in."""

from typing import Final

import polars as pl

from runlog.schema import PROGRESS

TAIL: Final = "~"
"""Behind a file's identity: its rows after the last line feed, see `runlog.intake.pieces`."""

_SUMMED: Final = ("rows", "offered", "events", "rejects", "unchanged", "ignored", "moved")
_LAST: Final = ("path", "format", "offset", "prefix", "read_at")


def before_torn_end(file: str) -> str:
    """The name under which the whole lines of a file are kept, by the name of its torn end; any other name itself."""
    return file.partition(TAIL)[0]


def by_file(pieces: pl.LazyFrame) -> pl.LazyFrame:
    """Join the pieces of each file.

    Parameters
    ----------
    pieces : pl.LazyFrame
        PROGRESS, one row a piece.

    Returns
    -------
    pl.LazyFrame
        PROGRESS, one row a file, in the order in which they were read first.
    """
    in_order = ("begins", "offset")
    notes = pl.col("note").filter(pl.col("note") != "").unique(maintain_order=True).str.join("; ")
    return PROGRESS.conform(
        pieces.group_by("source", pl.col("file").str.split(TAIL).list.first(), maintain_order=True).agg(
            pl.when(pl.col("machine").n_unique() == 1).then(pl.col("machine").first()).otherwise(pl.lit("")),
            pl.col("begins").min(),
            *(pl.col(name).sort_by(*in_order, maintain_order=True).last() for name in _LAST),
            *(pl.col(name).sum() for name in _SUMMED),
            pl.col("moved_most_s").max(),
            pl.col("first_at").min(),
            pl.col("last_at").max(),
            notes.alias("note"),
        )
    )

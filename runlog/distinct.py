"""The same observation told by several files is one: which rows are the same, and which one stays."""

from typing import Final

import polars as pl

from runlog.schema import EVENTS

OBSERVATION: Final = ("machine", "data_item", "stamped", "text", "code", "condition_id", "nth")
"""What makes two rows the same observation; a condition's `text` is its level."""

ORDER: Final = ("at", "body_start", "file", "line", "cell")
"""The order of events everywhere."""


def distinct(events: pl.LazyFrame) -> pl.LazyFrame:
    """One row an observation: of its copies the least by (head, ORDER).

    Parameters
    ----------
    events : pl.LazyFrame
        EVENTS, of any number of files.

    Returns
    -------
    pl.LazyFrame
        EVENTS, sorted by machine and ORDER.
    """
    # Few observations share machine, item and stamp with another row; only those are sorted and compared.
    shared = pl.struct("machine", "data_item", "stamped").hash().is_duplicated()
    rows = events.with_columns(shared.alias("shared"))
    told = rows.filter("shared").sort("head", *ORDER).unique(OBSERVATION, keep="first", maintain_order=True)
    return EVENTS.conform(pl.concat([rows.filter(~pl.col("shared")), told]).sort("machine", *ORDER))

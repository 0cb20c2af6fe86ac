"""A stop and the log around it: what to read before naming its cause.

begin, end = around(start, end)                            which events to ask the store for
told = events_around(store.events([machine], begin, end), start)
from_right_before(told)                                    what to read first
"""

from datetime import datetime, timedelta
from typing import Final

import polars as pl

BEFORE: Final = timedelta(minutes=10)
"""How long before a stop its events begin: a bar change and a few cycles of most jobs (common practice)."""
AFTER: Final = timedelta(minutes=5)
"""How long after its start they end: consequences come within it."""
MOST: Final = 400
"""Events shown at most, those nearest to the start."""

LAST: Final = 5
"""So many events before a stop tell what the machine was doing; what came of it begins right below them."""


def around(start: datetime, end: datetime) -> tuple[datetime, datetime]:
    """From when to when events belong to a stop."""
    return start - BEFORE, min(end, start + AFTER) + timedelta(microseconds=1)


def events_around(events: pl.LazyFrame, start: datetime) -> pl.DataFrame:
    """Events around a stop in the order in which they happened.

    Parameters
    ----------
    events : LazyFrame
        EVENTS of its machine in the time of `around`.
    start : datetime
        Of the stop.

    Returns
    -------
    DataFrame
        at, after_s (from the stop's start [s]; before it negative), signal (item, sub type and component), value, code,
        words; at most MOST, those nearest to the start. What is told again at the head of a file is left out.
    """
    near = (
        events.filter(~pl.col("head"))
        .with_columns(after_s=(pl.col("at") - pl.lit(start)).dt.total_microseconds() / 1e6)
        .sort(pl.col("after_s").abs(), "at", "line", "cell")
        .head(MOST)
    )
    names = [pl.when(pl.col(name) != "").then(name) for name in ("item", "sub_type", "component")]
    return (
        near.sort("at", "line", "cell")
        .select(
            "at",
            "after_s",
            signal=pl.concat_str(names, separator=" ", ignore_nulls=True),
            value=pl.coalesce("level", "text"),
            code="code",
            words="message",
        )
        .collect()
    )


def from_right_before(told: pl.DataFrame) -> pl.DataFrame:
    """Events from the last few before the stop on.

    Parameters
    ----------
    told : DataFrame
        From `events_around`.
    """
    before = told.filter(pl.col("after_s") < 0).height
    return told.slice(max(before - LAST, 0))

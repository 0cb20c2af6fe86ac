"""What still holds of a log at an instant: enough to read what comes after it without what came before.

    carried_after(rows, reads)      the rows that matter to whatever follows them
    by_day(before, events, ...)     those as of the start of each UTC day, and after everything

Of a value that is the last row, the last known one (UNAVAILABLE is none) and the last number; of conditions every
row of an activation that is still on, or that lost signal hides. What is carried of what was carried is the same
as what is carried of all: so a day's rows follow from the day before.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta

import polars as pl

from runlog.derive.alarms import conditions, endings
from runlog.derive.frames import BY
from runlog.derive.observations import NOTES, ORDER, UNAVAILABLE
from runlog.schema import CARRIED, EVENTS, INSTANT

ITEM = (BY, "data_item", "item", "sub_type", "component")
_DAY = timedelta(days=1)


def carried_after(rows: pl.LazyFrame, reads: pl.Expr) -> pl.LazyFrame:
    """The rows that matter to whatever follows.

    Parameters
    ----------
    rows : LazyFrame
        EVENTS, distinct.
    reads : Expr
        From `observations.is_read`.

    Returns
    -------
    LazyFrame
        Some of the EVENTS.
    """
    ordered = rows.sort(*ORDER).with_row_index("seq").with_columns(pl.col("seq").cast(pl.Int64)).collect().lazy()
    values = ordered.filter(reads & (pl.col("item") != "CONDITION"))
    heard = ordered.filter(~pl.col("item").is_in(NOTES))
    kept = [
        _last(values, *ITEM),
        _last(values.filter(pl.col("text") != UNAVAILABLE), *ITEM),
        _last(values.filter(pl.col("number").is_not_null()), *ITEM),
        _last(heard, BY, "source"),
        *_standing(ordered),
    ]
    seqs = pl.concat([frame.select("seq") for frame in kept]).unique()
    return EVENTS.conform(ordered.join(seqs, on="seq", how="semi"))


def _last(rows: pl.LazyFrame, *of: str) -> pl.LazyFrame:
    return rows.unique(of, keep="last", maintain_order=True)


def _standing(ordered: pl.LazyFrame) -> list[pl.LazyFrame]:
    """Conditions that are on, those that lost signal hides with the row that lost it, and each item's last word."""
    rows = conditions(ordered)
    ended = endings(rows)
    latest = pl.col("end_seq") == pl.col("end_seq").max().over(BY, "data_item", "id")
    hidden = ended.filter(pl.col("lost") & latest)
    return [
        ended.filter(pl.col("end_seq").is_null()),
        hidden,
        hidden.select(seq="end_seq"),
        _last(rows, BY, "data_item"),
    ]


def by_day(
    before: pl.LazyFrame, events: pl.LazyFrame, reads: pl.Expr, begins: Mapping[str, datetime] | None = None
) -> pl.LazyFrame:
    """What was carried at the start of each UTC day that follows one with events, and after all of them.

    Parameters
    ----------
    before : LazyFrame
        EVENTS carried from before; none where the events are all there are.
    events : LazyFrame
        EVENTS from then on.
    reads : Expr
        From `observations.is_read`.
    begins : mapping of str to datetime, optional
        By machine, from when `events` holds its rows; days before are left out.

    Returns
    -------
    LazyFrame
        CARRIED; `as_of` is null in the rows after everything.
    """
    # The loop runs over days of a calendar, and each turn over what is carried and the day's rows.
    state, out = before.collect(), []
    days = events.filter(reads | ~pl.col("item").is_in(NOTES)).with_columns(_day=pl.col("at").dt.truncate("1d"))
    for (day,), rows in sorted(days.collect().partition_by("_day", as_dict=True).items()):
        state = carried_after(pl.concat([state, rows.drop("_day")]).lazy(), reads).collect()
        out.append(state.with_columns(as_of=pl.lit(day + _DAY, INSTANT)))
    final = state.with_columns(as_of=pl.lit(None, INSTANT))
    told = pl.concat([*out, final]).lazy()
    if begins:
        since = pl.col(BY).replace_strict(begins, default=None, return_dtype=INSTANT)
        told = told.filter(since.is_null() | pl.col("as_of").is_null() | (pl.col("as_of") >= since))
    return CARRIED.conform(told)

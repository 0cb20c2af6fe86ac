"""What people said of a week, and what is to be done: open actions stay until somebody closes them.

told = remarks(store.held("notes"), period)
listed = actions(store.held("notes"), period, machine, now)
"""

from datetime import datetime, timedelta

import polars as pl

from runlog.figures.period import Period


def remarks(notes: pl.LazyFrame, period: Period, machine: str | None = None) -> pl.DataFrame:
    """Remarks about days of the week, the oldest first.

    Parameters
    ----------
    notes : LazyFrame
        NOTES, those taken back as well.
    period : Period
    machine : str, optional
        About this machine or the whole shop only.

    Returns
    -------
    DataFrame
        NOTES and `said`, a sentence.
    """
    day = _local(pl.col("at"), period)
    here = (pl.col("kind") == "remark") & day.is_between(period.first, period.last) & _about(machine)
    said = pl.concat_str(_who_for(), pl.col("text"), pl.format(" ({})", "who"))
    return _left(notes, "withdrawal").filter(here).with_columns(said=said).sort("at", "noted_at").collect()


def actions(notes: pl.LazyFrame, period: Period, machine: str | None, now: datetime) -> pl.DataFrame:
    """Actions that are open, and those closed since that were open in the week, the first due on top.

    A week is talked about when it is over: what is then noted has to be in sight where it was noted.

    Parameters
    ----------
    notes : LazyFrame
        NOTES.
    period : Period
    machine : str or None
        About this machine or the whole shop only.
    now : datetime
        With zone: what is overdue.

    Returns
    -------
    DataFrame
        NOTES, open (nobody has closed it), overdue, and `said`, a sentence.
    """
    done = notes.filter(pl.col("kind") == "done").select(
        note="withdraws", done_by="who", done_at="noted_at", came_of_it="why"
    )
    noted, closed, due = _local(pl.col("at"), period), _local(pl.col("done_at"), period), pl.col("until")
    last_day = _local(due - timedelta(microseconds=1), period).dt.strftime("%a %d %b")
    is_open = pl.col("done_at").is_null()
    state = (
        pl.when(~is_open)
        .then(pl.format(", done {} by {}{}", closed.dt.strftime("%a %d %b"), "done_by", _came_of_it()))
        .when("overdue")
        .then(pl.format(", was due {}: overdue", last_day))
        .otherwise(pl.format(", due {}", last_day))
    )
    was_open = (noted <= period.last) & (closed >= period.first)
    here = (pl.col("kind") == "action") & (is_open | was_open) & _about(machine)
    return (
        _left(notes, "withdrawal")
        .join(done, on="note", how="left")
        .filter(here)
        .with_columns(open=is_open, overdue=is_open & (due <= pl.lit(now)))
        .with_columns(said=pl.concat_str(_who_for(), pl.col("text"), pl.format(": {}", "owner"), state))
        .sort("open", "until", "noted_at", descending=[True, False, False])
        .collect()
    )


def _left(notes: pl.LazyFrame, taken_back_by: str) -> pl.LazyFrame:
    back = notes.filter(pl.col("kind") == taken_back_by).select(note="withdraws")
    return notes.join(back, on="note", how="anti")


def _local(at: pl.Expr, period: Period) -> pl.Expr:
    return at.dt.convert_time_zone(period.zone).dt.date()


def _about(machine: str | None) -> pl.Expr:
    return pl.lit(True) if machine is None else pl.col("machine").is_null() | (pl.col("machine") == machine)


def _who_for() -> pl.Expr:
    return pl.when(pl.col("machine").is_null()).then(pl.lit("")).otherwise(pl.format("{}: ", "machine"))


def _came_of_it() -> pl.Expr:
    return pl.when(pl.col("came_of_it").is_null()).then(pl.lit("")).otherwise(pl.format(": {}", "came_of_it"))

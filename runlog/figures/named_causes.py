"""Causes that people named, in the place of what the log said of a stop, in every figure made of it.

    facts = with_named_causes(facts, notes, site)
    unplaced(facts, notes)

A name stands over the log's word in the tables that figures are made of; the store's own tables keep the log's. So a
name that is taken back leaves no trace, and facts that are derived anew carry the names that are in force. What follows
from a cause follows from the name, too: its group, whether it delays an order, whether it counts as a failure, what
ended an unattended run. Naming all stops of a code is the same as a cause rule of the site file for it, but for what a
rule says of bar changes.
"""

from datetime import datetime
from typing import Final

import polars as pl

from runlog import calendar
from runlog.derive.frames import of_us
from runlog.figures.rollup import KEY
from runlog.figures.window import Facts
from runlog.schema import (
    CAUSE_GROUPS,
    NO_JOB,
    NO_ORDER_GROUPS,
    NOT_FAILURE_GROUPS,
    SHIFT_LOSSES,
    STOP_ENDINGS,
)
from runlog.site import Site

STOP: Final = ["machine", "start"]
_LINE: Final = [*KEY, "loss", "cause"]


def with_named_causes(facts: Facts, notes: pl.DataFrame, site: Site) -> Facts:
    """Facts in which named stops have the cause that a person gave them.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    notes : DataFrame
        NOTES in force, of any kind. A cause belongs to the stop in which its instant lies; of several the one
        noted last counts.
    site : Site

    Returns
    -------
    mapping of str to LazyFrame
        The same tables. `stops` has `log_cause` as well, the cause by the log; `named_by` says who named it.
    """
    stops = facts["stops"].with_columns(log_cause=pl.col("cause"))
    told = notes.filter(pl.col("kind") == "cause")
    if told.is_empty():
        return {**facts, "stops": stops}
    named = _named(stops, told, site)
    pieces = _standing(facts["spans"], named)
    moved = _moved(pieces, named, site)
    return {
        **facts,
        "stops": _in_stops(stops, named),
        "spans": _in_spans(facts["spans"], named),
        "shift_losses": _in_losses(facts["shift_losses"], moved),
        "shift_figures": _in_figures(facts["shift_figures"], moved),
        "unattended_runs": _in_runs(facts["unattended_runs"], named),
    }


def unplaced(facts: Facts, notes: pl.DataFrame) -> pl.DataFrame:
    """Causes whose instant lies in no stop, as after a correction of the log: kept, in no figure (NOTES)."""
    told = notes.filter(pl.col("kind") == "cause")
    placed = _placed(facts["stops"].with_columns(log_cause=pl.col("cause")), told)
    return told.join(placed, on="note", how="anti")


def names_given(notes: pl.LazyFrame, machine: str, start: datetime, end: datetime) -> pl.DataFrame:
    """Names that were given to a stop, the last first.

    Parameters
    ----------
    notes : LazyFrame
        NOTES, those taken back as well.
    machine : str
    start, end : datetime
        Of the stop.

    Returns
    -------
    DataFrame
        note, cause, who, why, noted_at, back_by (who took it back; null while it stands), back_why, back_at.
    """
    back = notes.filter(pl.col("kind") == "withdrawal").select(
        note="withdraws", back_by="who", back_why="why", back_at="noted_at"
    )
    here = (pl.col("kind") == "cause") & (pl.col("machine") == machine) & pl.col("at").is_between(start, end, "left")
    return (
        notes.filter(here)
        .select("note", "cause", "who", "why", "noted_at")
        .join(back, on="note", how="left")
        .sort("noted_at", "note", descending=True)
        .collect()
    )


# --- which stop, and what its name changes -------------------------------------------------------


def _placed(stops: pl.LazyFrame, told: pl.DataFrame) -> pl.DataFrame:
    """The stop of each note: note, noted_at, named, who, and the stop's columns."""
    known = told.lazy().select("machine", "note", "at", "noted_at", "who", named="cause").sort("at")
    here = stops.filter(pl.col("machine").is_in(told["machine"].unique().implode())).sort("start")
    return (
        known.join_asof(here, left_on="at", right_on="start", by="machine", check_sortedness=False, coalesce=False)
        .filter(pl.col("at") < pl.col("end"))
        .collect()
    )


def _named(stops: pl.LazyFrame, told: pl.DataFrame, site: Site) -> pl.DataFrame:
    """One row a named stop: machine, start, end, minor, job, log_cause, log_group, named, named_group, who."""
    last = _placed(stops, told).sort("noted_at", "note").unique(STOP, keep="last", maintain_order=True)
    group = pl.col("named").replace_strict(site.cause_groups, default=CAUSE_GROUPS["unexplained"])
    return last.select(
        *STOP, "end", "minor", "job", "log_cause", "named", "who", log_group="cause_group", named_group=group
    ).sort("start")


def _standing(spans: pl.LazyFrame, named: pl.DataFrame) -> pl.DataFrame:
    """Stopped spans of named stops: machine, start, end, job, stop_start."""
    first, last = named["start"].min(), named["end"].max()
    near = spans.filter(
        (pl.col("kind") == "stopped")
        & pl.col("machine").is_in(named["machine"].unique().implode())
        & (pl.col("start") >= first)
        & (pl.col("start") < last)
    ).select(*STOP, "end", "job")
    return _beside(near, named, "start").filter(pl.col("named").is_not_null()).drop("named").collect()


def _beside(rows: pl.LazyFrame, named: pl.DataFrame, at: str) -> pl.LazyFrame:
    """Rows with the named stop in which their instant lies: named, stop_start; null where it lies in none."""
    stops = named.lazy().select("machine", "named", stop_start="start", stop_end="end")
    inside = pl.col(at) < pl.col("stop_end")
    return (
        rows.sort("machine", at)
        .join_asof(stops, left_on=at, right_on="stop_start", by="machine", check_sortedness=False, coalesce=False)
        .with_columns(pl.when(inside).then(name).alias(name) for name in ("named", "stop_start"))
        .drop("stop_end")
    )


def _moved(pieces: pl.DataFrame, named: pl.DataFrame, site: Site) -> pl.DataFrame:
    """What goes from one cause to another, by machine, shift and job.

    Returns
    -------
    DataFrame
        KEY, minor, log_cause, named, log_group, named_group, seconds (within planned busy time), count (stops
        begun there), stood_s (stopped time of these stops, wherever it falls).
    """
    first, last = named.select(pl.col("start").min(), pl.col("end").max()).row(0)
    machines = named["machine"].unique().sort()
    planned = calendar.planned(site, machines, first, last).select(
        "machine", "shift_date", "shift", plan_start="start", plan_end="end"
    )
    inside = (
        pieces.join(planned, on="machine")
        .with_columns(start=pl.max_horizontal("start", "plan_start"), end=pl.min_horizontal("end", "plan_end"))
        .filter(pl.col("start") < pl.col("end"))
    )
    us = (pl.col("end") - pl.col("start")).dt.total_microseconds()
    time = inside.group_by("machine", "stop_start", "shift_date", "shift", "job").agg(us=us.sum())
    stood = pieces.group_by("machine", "stop_start").agg(stood_us=us.sum())
    begun = (
        named.join(planned, on="machine")
        .filter((pl.col("start") >= pl.col("plan_start")) & (pl.col("start") < pl.col("plan_end")))
        .select("machine", "shift_date", "shift", "job", stop_start="start", count=pl.lit(1, pl.Int64))
        .join(stood, on=["machine", "stop_start"], how="left")
    )
    causes = named.select("machine", "minor", "log_cause", "named", "log_group", "named_group", stop_start="start")
    key = ["machine", "stop_start", "shift_date", "shift", "job"]
    return (
        time.join(begun, on=key, how="full", coalesce=True)
        .join(causes, on=["machine", "stop_start"])
        .with_columns(pl.col("us", "count", "stood_us").fill_null(0))
    )


# --- the tables ----------------------------------------------------------------------------------


def _in_stops(stops: pl.LazyFrame, named: pl.DataFrame) -> pl.LazyFrame:
    known = named.lazy().select(*STOP, "named", "named_group", "who")
    ended = pl.col("named").replace_strict(STOP_ENDINGS, default="stop", return_dtype=pl.String())
    ends = pl.col("night_ending") | pl.col("cause").is_in(list(STOP_ENDINGS))
    return (
        stops.join(known, on=STOP, how="left", maintain_order="left")
        .with_columns(
            cause=pl.coalesce("named", "cause"),
            cause_group=pl.coalesce("named_group", "cause_group"),
            named_by=pl.coalesce("who", "named_by"),
            night_ending=pl.when(pl.col("named").is_null()).then("night_ending").otherwise(ends & (ended == "stop")),
        )
        .drop("named", "named_group", "who")
    )


def _in_spans(spans: pl.LazyFrame, named: pl.DataFrame) -> pl.LazyFrame:
    names = spans.collect_schema().names()
    is_named = (pl.col("kind") == "stopped") & pl.col("named").is_not_null()
    return (
        _beside(spans, named, "start")
        .with_columns(cause=pl.when(is_named).then("named").otherwise("cause"))
        .select(names)
    )


def _in_losses(losses: pl.LazyFrame, moved: pl.DataFrame) -> pl.LazyFrame:
    loss = pl.when("minor").then(pl.lit("minor stops")).otherwise(pl.lit("stops"))
    sides = [
        moved.select(*KEY, loss=loss, cause=cause, us=sign * pl.col("us"), count=sign * pl.col("count"))
        for cause, sign in (("log_cause", -1), ("named", 1))
    ]
    change = pl.concat(sides).group_by(_LINE).agg(pl.col("us", "count").sum())
    us = (pl.col("seconds").fill_null(0) * 1e6).round().cast(pl.Int64) + pl.col("us")
    touched = (
        losses.join(change.lazy(), on=_LINE, how="full", coalesce=True)
        .with_columns(seconds=pl.when(pl.col("us").is_null()).then("seconds").otherwise(of_us(us)))
        .with_columns(count=pl.col("count").fill_null(0) + pl.col("count_right").fill_null(0))
        .filter((pl.col("seconds") != 0) | (pl.col("count") != 0))
    )
    return SHIFT_LOSSES.conform(touched.sort(_LINE))


def _in_figures(figures: pl.LazyFrame, moved: pl.DataFrame) -> pl.LazyFrame:
    names = figures.collect_schema().names()

    def change(groups: tuple[str, ...]) -> pl.Expr:
        """1 where the name leaves these groups, -1 where it enters them, else 0."""
        was, now = (pl.col(name).is_in(groups).cast(pl.Int64) for name in ("log_group", "named_group"))
        return was - now

    has_job = (pl.col("job") != NO_JOB).cast(pl.Int64)
    failures = change(NOT_FAILURE_GROUPS) * (~pl.col("minor")).cast(pl.Int64) * pl.col("count")
    changes = moved.group_by(KEY).agg(
        _adet_us=(change(NO_ORDER_GROUPS) * has_job * pl.col("us")).sum(),
        _failures=failures.sum(),
        _failures_us=(failures * pl.col("stood_us")).sum(),
    )

    def with_change(name: str) -> pl.Expr:
        by = pl.col(f"_{name.removesuffix('_s')}_us")
        us = (pl.col(name) * 1e6).round().cast(pl.Int64) + by
        return pl.when(by.is_null()).then(name).otherwise(of_us(us)).alias(name)

    return (
        figures.join(changes.lazy(), on=list(KEY), how="left", maintain_order="left")
        .with_columns(
            with_change("adet_s"),
            with_change("failures_s"),
            failures=pl.col("failures") + pl.col("_failures").fill_null(0),
        )
        .select(names)
    )


def _in_runs(runs: pl.LazyFrame, named: pl.DataFrame) -> pl.LazyFrame:
    names = runs.collect_schema().names()
    ended = pl.col("ended_by").is_in(["stop", *STOP_ENDINGS.values()]) & pl.col("named").is_not_null()
    kind = pl.col("named").replace_strict(STOP_ENDINGS, default="stop", return_dtype=pl.String())
    return (
        _beside(runs, named, "end")
        .with_columns(
            cause=pl.when(ended).then("named").otherwise("cause"),
            ended_by=pl.when(ended).then(kind).otherwise("ended_by"),
        )
        .select(names)
        .sort("machine", "window_start", "start")
    )

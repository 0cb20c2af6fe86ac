"""Whether the data behind the figures is sound: what was read, what is missing, what was refused.

    days = last_days(log_end(facts), site, 28)
    told = coverage(facts, site, days)          one row a machine and day
    findings(...)                               what to look at, the gravest first; none: sound

What is counted of files is counted when they are read, so that no question here asks for the events themselves but
`clock_steps`, which is given those of a few days.
"""

import math
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl

from runlog import calendar
from runlog.derive.observations import NOTES
from runlog.errors import RunlogError
from runlog.figures.ratios import coverage as coverage_ratio
from runlog.figures.window import Facts
from runlog.progress import TAIL
from runlog.site import Site, Source

SILENT_AFTER_H: Final = 8.0
"""A source without an event for so many planned hours is silent: a whole shift. [h]"""
MANY_REJECTS: Final = 0.001
"""Share of what a source offered from which rejects are many."""
LOOK_BACK: Final = timedelta(days=31)
"""How far back planned hours of a silent source are counted: longer is "more than"."""
STEP_BACK_S: Final = 60.0
"""A stamp so far below the one before it in its file is a step of the clock back. [s]"""

COSTLY_H: Final = 1.0
"""Stopped hours from which codes without a cause are worth naming at once. [h]"""
_APART: Final = 3
"""So many findings of one kind are told one by one, more in one sentence."""

REMARKS: Final = {
    "sequences missing": r"sequences \d+ to \d+ are missing",
    "agent began anew": "agent began anew",
    "written newest first": "written newest first",
    "names nobody mapped": "unmapped",
}
"""What a remark of a file is about, by the words in it."""


@dataclass(frozen=True)
class Days:
    """The last days of a log.

    Attributes
    ----------
    first, last : date
        Local dates, both included.
    start, end : datetime
        Midnight of the first, and the end of the log of all machines; UTC.
    zone : str
        The site's time zone.
    """

    first: date
    last: date
    start: datetime
    end: datetime
    zone: str


def log_end(facts: Facts) -> datetime:
    """End of the log of all machines.

    Raises
    ------
    RunlogError
        There are no facts.
    """
    end = facts["spans"].select(pl.col("end").max()).collect().item()
    if end is None:
        raise RunlogError("The store holds no facts yet: read logs first, `runlog ingest PATH --site site.toml`.")
    return end


def last_days(end: datetime, site: Site, days: int) -> Days:
    """So many local days up to the end of a log."""
    # A log that ends at midnight says nothing of the day that begins then.
    last = (end - timedelta(microseconds=1)).astimezone(site.zone).date()
    first = last - timedelta(days=days - 1)
    return Days(first, last, calendar.local_instant(site, first, time(0)), end, site.site.time_zone)


# --- sources -------------------------------------------------------------------------------------


def sources(progress: pl.LazyFrame, at: datetime) -> pl.DataFrame:
    """What came from each source.

    Parameters
    ----------
    progress : LazyFrame
        PROGRESS, one row a file.
    at : datetime
        The present instant, with zone.

    Returns
    -------
    DataFrame
        source, files, last_file, last_read, last_event, lag_s (from the last event to `at`) [s], offered, rejects.
    """
    lag_s = (pl.lit(at) - pl.col("last_event")).dt.total_seconds()
    return (
        progress.sort("read_at", "path", maintain_order=True)
        .group_by("source", maintain_order=True)
        .agg(
            pl.len().alias("files"),
            pl.col("path").last().alias("last_file"),
            pl.col("read_at").last().alias("last_read"),
            pl.col("last_at").max().alias("last_event"),
            pl.col("offered").sum(),
            pl.col("rejects").sum(),
        )
        .with_columns(lag_s.alias("lag_s"))
        .select("source", "files", "last_file", "last_read", "last_event", "lag_s", "offered", "rejects")
        .sort("source")
        .collect()
    )


def with_silence(rows: pl.DataFrame, site: Site, at: datetime) -> pl.DataFrame:
    """Add to `sources` planned_h, the planned hours since the last event, and silent; the longest silent come first.

    Of a source of several machines the hours of the one planned most count. Null for sources that the site file does
    not know, that name no machine, or that hold setup notes only: those are written when there is something to note.
    LOOK_BACK is the most that is counted.
    """
    machines = {source.name: _machines(source) for source in site.source}
    since = rows.select(
        "source",
        machine=pl.col("source").replace_strict(machines, default=[], return_dtype=pl.List(pl.String)),
        since=pl.max_horizontal("last_event", pl.lit(at - LOOK_BACK)),
    ).explode("machine")
    known = since.drop_nulls()
    first = known["since"].min()
    planned = calendar.planned(site, known["machine"].unique().sort(), first if isinstance(first, datetime) else at, at)
    inside = pl.min_horizontal("end", pl.lit(at)) - pl.max_horizontal("start", "since")
    planned_us = pl.when(pl.col("start").is_not_null()).then(inside.dt.total_microseconds().clip(lower_bound=0))
    hours = (
        known.join(planned.select("machine", "start", "end"), on="machine", how="left")
        .with_columns(hours=(planned_us / 3.6e9).fill_null(0.0))
        .group_by("source", "machine")
        .agg(pl.col("hours").sum())
        .group_by("source")
        .agg(planned_h=pl.col("hours").max())
    )
    return (
        rows.join(hours, on="source", how="left", maintain_order="left")
        .with_columns(silent=(pl.col("planned_h") >= SILENT_AFTER_H).fill_null(False))
        .sort("silent", "planned_h", "source", descending=[True, True, False], nulls_last=True)
    )


def _machines(source: Source) -> list[str]:
    items = {key.item for key in source.keys.values()}
    if items and items <= set(NOTES):
        return []
    return [source.machine] if source.machine else sorted(set(source.machines.values()))


# --- coverage ------------------------------------------------------------------------------------


def coverage(facts: Facts, site: Site, days: Days, every: str = "1d") -> pl.DataFrame:
    """Share of planned busy time the log speaks of, by machine and day.

    Parameters
    ----------
    every : str
        Length of a step: "1d", or "1w" for weeks that begin on Monday.

    Returns
    -------
    DataFrame
        machine, day (the step's first), pbt_s, no_signal_s [s], coverage (null where nothing was planned),
        coverage_flag (the machine's limit), thin (below it).
    """
    here = facts["shift_figures"].filter(pl.col("shift_date").is_between(days.first, days.last))
    dated = here.with_columns(day=pl.col("shift_date").dt.truncate(every))
    return _covered(dated, site, "machine", "day").sort("machine", "day")


def machine_coverage(told: pl.DataFrame, site: Site) -> pl.DataFrame:
    """`coverage` of whole machines, the lowest first: machine, the same sums and ratios, thin_days and days."""
    planned = pl.col("pbt_s") > 0
    sums = _covered(told.lazy(), site, "machine")
    counts = told.group_by("machine").agg(thin_days=pl.col("thin").sum(), days=planned.sum())
    return sums.join(counts, on="machine").sort("coverage", "machine", nulls_last=True)


def _covered(rows: pl.LazyFrame, site: Site, *by: str) -> pl.DataFrame:
    flags = {machine.name: site.limits(machine.name).coverage_flag for machine in site.machines}
    flag = pl.col("machine").replace_strict(flags, default=site.limits_.coverage_flag, return_dtype=pl.Float64())
    return (
        rows.group_by(by)
        .agg(pl.col("pbt_s").sum(), pl.col("no_signal_s").sum())
        .with_columns(coverage=coverage_ratio(), coverage_flag=flag)
        .with_columns(thin=(pl.col("coverage") < pl.col("coverage_flag")).fill_null(False))
        .collect()
    )


# --- gaps, remarks, clocks -----------------------------------------------------------------------


def without_signal(spans: pl.LazyFrame, days: Days) -> pl.LazyFrame:
    """Of SPANS those without signal that touch the days: all that gaps of these, or of any fewer last days, are of."""
    return spans.filter((pl.col("kind") == "no signal") & (pl.col("end") > days.start) & (pl.col("start") < days.end))


def gaps(spans: pl.LazyFrame, days: Days) -> pl.DataFrame:
    """Stretches without signal that touch the days, the longest first: machine, start, end, seconds."""
    lost = without_signal(spans, days).select("machine", "start", "end").sort("machine", "start")
    # Spans part where a shift or a program changes: that is no end of the gap.
    begins = (pl.col("start") != pl.col("end").shift().over("machine")).fill_null(True)
    return (
        lost.with_columns(gap=begins.cum_sum().over("machine"))
        .group_by("machine", "gap")
        .agg(pl.col("start").min(), pl.col("end").max())
        .with_columns(seconds=(pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6)
        .select("machine", "start", "end", "seconds")
        .sort("seconds", "machine", "start", descending=[True, False, False])
        .collect()
    )


def file_remarks(progress: pl.LazyFrame, days: Days) -> pl.DataFrame:
    """What intake remarked of files that touch the days, and where it moved stamps; alike ones of a source in a row.

    Returns
    -------
    DataFrame
        source, kind (of REMARKS, "stamps moved" or "remark"), remark, files, path (of the last file), first_at,
        last_at (of these files).
    """
    touches = ((pl.col("last_at") >= days.start) & (pl.col("first_at") < days.end)).fill_null(True)
    here = progress.filter(touches)
    moved = here.filter(pl.col("moved") > 0).with_columns(
        kind=pl.lit("stamps moved"),
        remark=pl.format(
            "two clocks in one file: {} events moved, by {} s at most", "moved", pl.col("moved_most_s").round(1)
        ),
    )
    # How dates were read is told in two halves that belong together.
    told = pl.col("note").str.replace_all("; csv.", ", csv.", literal=True).str.split("; ")
    noted = here.filter(pl.col("note") != "").with_columns(remark=told).explode("remark").with_columns(kind=_kind())
    keys = ("source", "kind", "remark")
    rows = pl.concat([frame.select(*keys, "path", "first_at", "last_at") for frame in (noted, moved)])
    order = pl.col("kind").replace_strict(
        {kind: number for number, kind in enumerate([*list(REMARKS)[:3], "stamps moved"])}, default=9
    )
    return (
        rows.sort("last_at", "path")
        .group_by(keys)
        .agg(pl.len().alias("files"), pl.col("path").last(), pl.col("first_at").min(), pl.col("last_at").max())
        .sort(order, "last_at", *keys, descending=[False, True, False, False, False])
        .collect()
    )


def _kind() -> pl.Expr:
    found = [pl.when(pl.col("remark").str.contains(words)).then(pl.lit(kind)) for kind, words in REMARKS.items()]
    return pl.coalesce(*found, pl.lit("remark"))


def clock_steps(events: pl.LazyFrame, progress: pl.LazyFrame) -> pl.DataFrame:
    """Where the stamps of a file step back by more than STEP_BACK_S, the furthest first.

    Parameters
    ----------
    events : LazyFrame
        EVENTS of a few days. A step forward cannot be told from silence, and is not looked for.
    progress : LazyFrame
        PROGRESS, for the names of files.

    Returns
    -------
    DataFrame
        source, machine, path, line, before, after (the two stamps), back_s [s].
    """
    rows = events.filter(~pl.col("head")).select("source", "machine", "file", "line", "cell", "stamped")
    before = pl.col("stamped").shift().over("source", "file", "machine", order_by=["line", "cell"])
    back_s = (pl.col("before") - pl.col("stamped")).dt.total_microseconds() / 1e6
    # A file read in pieces has a mark behind its name in some of them.
    names = progress.select("source", pl.col("file").str.split(TAIL).list.first(), "path").unique(["source", "file"])
    return (
        rows.with_columns(before=before, file=pl.col("file").str.split(TAIL).list.first())
        .with_columns(back_s=back_s)
        .filter(pl.col("back_s") > STEP_BACK_S)
        .join(names, on=["source", "file"], how="left")
        .select("source", "machine", "path", "line", "before", pl.col("stamped").alias("after"), "back_s")
        .sort("back_s", "source", "path", "line", descending=[True, False, False, False])
        .collect()
    )


# --- rejects -------------------------------------------------------------------------------------


def reject_reasons(rejects: pl.LazyFrame) -> pl.DataFrame:
    """Rejects by source and reason, the most first: source, reason, rejects, files, last_read, example.

    Reasons that differ in a number or a quoted word only are one, with … in its place.
    """
    reason = pl.col("reason").str.replace_all(r"'[^']*'", "'…'").str.replace_all(r"\d[\d,.]*\d|\d", "…")
    return (
        rejects.with_columns(reason=reason)
        .sort("read_at", "path", "line", "cell")
        .group_by("source", "reason")
        .agg(
            pl.len().alias("rejects"),
            pl.col("file").n_unique().alias("files"),
            pl.col("read_at").max().alias("last_read"),
            pl.col("raw").last().alias("example"),
        )
        .sort("rejects", "source", "reason", descending=[True, False, False])
        .collect()
    )


def newest_rejects(rejects: pl.LazyFrame, count: int) -> pl.DataFrame:
    """So many of REJECTS, the newest first and each file in its order."""
    order = ("read_at", "path", "line", "cell")
    return rejects.sort(*order, descending=[True, False, False, False], nulls_last=True).head(count).collect()


# --- the verdict ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Finding:
    """One thing to look at, or to know.

    Attributes
    ----------
    grave : bool
        Numbers are wrong or missing by it, as far as can be told.
    what, why : str
        What is found, and what follows from it.
    """

    grave: bool
    what: str
    why: str


def findings(
    problems: list[str],
    told: pl.DataFrame,
    machines: pl.DataFrame,
    remarks: pl.DataFrame,
    unmapped: pl.DataFrame,
    *,
    zone: str,
    watched: bool,
    current: bool,
) -> list[Finding]:
    """Everything that speaks against the figures, the gravest first.

    Parameters
    ----------
    problems : list of str
        Of the watcher and the store, as `runlog status` tells them.
    told : DataFrame
        `with_silence`.
    machines : DataFrame
        `machine_coverage`.
    remarks : DataFrame
        `file_remarks`.
    unmapped : DataFrame
        `unmapped_codes.unmapped_codes`.
    zone : str
        Of clock times.
    watched : bool
        A watcher lives.
    current : bool
        The facts are those of all events and of this site file.
    """
    found = [Finding(True, *_halves(problem)) for problem in problems]
    if not current and not (watched or any(problem.startswith("facts are older") for problem in problems)):
        found.append(Finding(True, "Facts were made with another site file", "runlog derive makes them anew"))
    if not problems and not watched:
        found.append(Finding(False, "No watcher lives", "logs are read when somebody says runlog ingest"))
    found += [
        *_silences(told, ZoneInfo(zone)),
        *_thin(machines),
        *_lost(remarks),
        *_rejected(told),
        *_unmapped(unmapped),
    ]
    return sorted(found, key=lambda one: not one.grave)


def _halves(problem: str) -> tuple[str, str]:
    what, _, why = problem.replace("`", "").partition(": ")
    return what[:1].upper() + what[1:], why


def _silences(told: pl.DataFrame, zone: ZoneInfo) -> list[Finding]:
    judged = told.filter(pl.col("planned_h").is_not_null())
    silent = judged.filter("silent").sort("planned_h", "source", descending=[True, False])
    if len(silent) > 1 and len(silent) == len(judged):
        return [_silence("Nothing new from any source", silent.sort("last_event").row(-1, named=True), zone)]
    return _few(
        [_silence(f"{row['source']} is silent", row, zone) for row in silent.iter_rows(named=True)],
        "sources are silent",
    )


def _silence(what: str, row: dict[str, Any], zone: ZoneInfo) -> Finding:
    at = row["last_event"].astimezone(zone)
    why = f"{row['planned_h']:,.0f} planned hours since are in no figure"
    return Finding(True, f"{what} since {at:%a} {at.day} {at:%b %H:%M}", why)


def _thin(machines: pl.DataFrame) -> list[Finding]:
    below = [
        Finding(
            True,
            f"{row['machine']} has a signal for {floor_percent(row['coverage'])} of its planned time",
            f"{row['thin_days']} of {row['days']} days below {100 * row['coverage_flag']:g} %, "
            f"{row['no_signal_s'] / 3600:.1f} h not known",
        )
        for row in machines.filter("thin").iter_rows(named=True)
    ]
    few = machines.filter(~pl.col("thin") & (pl.col("thin_days") > 0))
    days = few["thin_days"].sum()
    note = f"{days} machine {'day has' if days == 1 else 'days have'} a signal for too little of the planned time"
    return [
        *_few(below, "machines have a signal for too little of their planned time"),
        *([Finding(False, note, f"of {', '.join(few['machine'])}")] if days else []),
    ]


def floor_percent(share: float) -> str:
    """A share in words, never rounded up to a limit that it misses."""
    return f"{math.floor(1000 * share) / 10:.1f} %"


def _few(found: list[Finding], together: str) -> list[Finding]:
    """Findings of a kind, in one where they are many: the next kind must be seen, too."""
    if len(found) <= _APART:
        return found
    return [Finding(True, f"{len(found)} {together}", f"first of all: {found[0].what}")]


def _lost(remarks: pl.DataFrame) -> list[Finding]:
    lost = remarks.filter(pl.col("kind").is_in(["sequences missing", "agent began anew"]))
    counts = lost.group_by("source").agg(pl.col("files").sum()).sort("source")
    found = [
        Finding(True, f"{source} has gaps that are known for sure", f"{files} told under Gaps and clocks")
        for source, files in counts.iter_rows()
    ]
    return _few(found, "sources have gaps that are known for sure")


def _rejected(told: pl.DataFrame) -> list[Finding]:
    rows = told.filter(pl.col("rejects") > 0).sort("rejects", descending=True)
    found = [
        Finding(
            row["rejects"] > MANY_REJECTS * row["offered"],
            f"{row['source']}: {row['rejects']:,} of {row['offered']:,} values could not be read",
            "see Rejects for what they were",
        )
        for row in rows.iter_rows(named=True)
    ]
    return [
        *_few([one for one in found if one.grave], "sources have many values that could not be read"),
        *[one for one in found if not one.grave][:_APART],
    ]


def _unmapped(unmapped: pl.DataFrame) -> list[Finding]:
    cost = unmapped.filter(pl.col("stops") > 0)
    if cost.is_empty():
        return []
    hours = float(cost["hours"].sum())
    codes = "1 alarm code" if len(cost) == 1 else f"{len(cost)} alarm codes"
    return [
        Finding(
            hours >= COSTLY_H, f"{codes} without a cause stood for {hours:.1f} h", "see Alarm codes without a cause"
        )
    ]

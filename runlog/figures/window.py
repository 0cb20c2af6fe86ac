"""Which night a review is about: windows planned with nobody present, by the local date on which they began."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime

import polars as pl

from runlog import calendar
from runlog.errors import RunlogError
from runlog.site import Site

Facts = Mapping[str, pl.LazyFrame]
"""Fact tables by name: the store's, or straight from `derive`."""


@dataclass(frozen=True)
class Window:
    """The night under review, as instants and as the shop calls it.

    Attributes
    ----------
    night : date
        Local date on which it began.
    start, end : datetime
        Of the window planned with nobody present, UTC.
    seen_to : datetime
        End of what the log tells of it: `end`, or the horizon in a night still running.
    log_end : datetime
        End of the log of all machines, UTC: how old what is shown is.
    zone : str
        The site's time zone, in which people read times.
    attended : bool
        No shift is planned unattended: the last shift is reviewed instead.
    """

    night: date
    start: datetime
    end: datetime
    seen_to: datetime
    log_end: datetime
    zone: str
    attended: bool

    @property
    def hours(self) -> float:
        """Length of the window. [h]"""
        return (self.end - self.start).total_seconds() / 3600

    @property
    def running(self) -> bool:
        """The log ends before the window does."""
        return self.seen_to < self.end


@dataclass(frozen=True)
class Windows:
    """Every window that may be reviewed, the oldest first.

    Attributes
    ----------
    spans : list of (datetime, datetime)
        Start and end of each, UTC.
    attended : bool
        They are attended shifts, for want of unattended ones.
    log_end : datetime
        End of the log of all machines, UTC.
    """

    spans: list[tuple[datetime, datetime]]
    attended: bool
    log_end: datetime


def nights_of(facts: Facts, site: Site) -> list[date]:
    """Local dates of the nights the log speaks of, oldest first; empty without facts."""
    known = _windows(facts, site)
    return [] if known is None else [start.astimezone(site.zone).date() for start, _ in known.spans]


def windows_of(facts: Facts, site: Site) -> Windows:
    """Every window that may be reviewed.

    Raises
    ------
    RunlogError
        There are no facts.
    """
    known = _windows(facts, site)
    if known is None or not known.spans:
        raise RunlogError("The store holds no facts yet: read logs first, `runlog ingest PATH --site site.toml`.")
    return known


def _windows(facts: Facts, site: Site) -> Windows | None:
    first, horizon = facts["spans"].select(pl.col("start").min(), pl.col("end").max()).collect().row(0)
    if first is None or horizon is None:
        return None
    windows = calendar.unattended(site, first, horizon)
    if windows.height:
        return Windows(windows.rows(), False, horizon)
    shifts = calendar.shifts(site, first, horizon)
    return Windows(shifts.select("shift_start", "shift_end").rows(), True, horizon)


def find_window(known: Windows, site: Site, night: date | None) -> tuple[Window, list[date]]:
    """The window of a night, the last one if none is given, and the dates of all of them."""
    windows, horizon = known.spans, known.log_end
    dates = [start.astimezone(site.zone).date() for start, _ in windows]
    number = len(windows) - 1 if night is None else _number_of(night, windows, dates, site)
    start, end = windows[number]
    window = Window(dates[number], start, end, min(end, horizon), horizon, site.site.time_zone, known.attended)
    return window, sorted(set(dates))


def _number_of(night: date, windows: list[tuple[datetime, datetime]], dates: list[date], site: Site) -> int:
    if night in dates:
        return len(dates) - 1 - dates[::-1].index(night)
    noon = datetime(night.year, night.month, night.day, 23, 59, tzinfo=site.zone).astimezone(UTC)
    for number, (start, end) in enumerate(windows):
        if start <= noon < end:
            return number
    raise RunlogError(f"--date {night}: no night in the log, one from {dates[0]} to {dates[-1]} expected.")


def one_machine(facts: Facts, site: Site, machine: str) -> Facts:
    # Most machines have shift figures, which are few and often in memory; spans are many, and know them all.
    if not any(_tells_of(facts[name], machine) for name in ("shift_figures", "spans")):
        known = facts["spans"].select(pl.col("machine").unique().sort()).collect()["machine"]
        named = ", ".join(known) or "none yet"
        raise RunlogError(f"--machine {machine}: not in the log, one of these expected: {named}.")
    return {name: frame.filter(pl.col("machine") == machine) for name, frame in facts.items()}


def _tells_of(frame: pl.LazyFrame, machine: str) -> bool:
    return not frame.filter(pl.col("machine") == machine).head(1).collect().is_empty()


def touching(frame: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    """Rows whose start to end shares time with the window."""
    return frame.filter((pl.col("end") > window.start) & (pl.col("start") < window.end))


def begun(frame: pl.LazyFrame, window: Window, at: str = "start") -> pl.LazyFrame:
    """Rows whose instant lies in the window."""
    return frame.filter((pl.col(at) >= window.start) & (pl.col(at) < window.end))


def in_nights(rows: pl.DataFrame, facts: Facts, site: Site, at: str = "start") -> pl.DataFrame:
    """Add `night`, the local date by which the night of an instant is reviewed; null where it was in none."""
    known = _windows(facts, site)
    spans = [] if known is None else known.spans
    ends = {"_from": pl.Datetime("us", "UTC"), "_to": pl.Datetime("us", "UTC")}
    nights = pl.DataFrame(spans, schema=ends, orient="row")
    dated = nights.sort("_from").with_columns(night=pl.col("_from").dt.convert_time_zone(site.site.time_zone).dt.date())
    joined = rows.sort(at).join_asof(dated, left_on=at, right_on="_from", check_sortedness=False, coalesce=False)
    return joined.with_columns(night=pl.when(pl.col(at) < pl.col("_to")).then("night")).drop("_from", "_to")

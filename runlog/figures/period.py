"""Which days figures are about: a week by ISO 8601, days from and to, or the last whole week with a log.

period = period_of(facts, site, week="2026-W12")
figures_in(facts["shift_figures"], period)
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import polars as pl

from runlog import calendar
from runlog.errors import RunlogError
from runlog.figures.window import Facts
from runlog.site import Site

_WEEK: Final = re.compile(r"(\d{4})-?W(\d{1,2})", re.IGNORECASE)
_DAYS: Final = timedelta(days=6)
_BESIDE: Final = timedelta(days=8)
"""An instant belongs to the last shift begun before it: over a weekend and a week of holidays."""


@dataclass(frozen=True)
class Period:
    """Days by the local date on which their shifts start.

    Attributes
    ----------
    first, last : date
        Both included.
    week : str
        The ISO week, if it is one; else empty.
    log_end : datetime
        How far the log reaches, UTC.
    whole : bool
        The log reaches from its first shift to the end of its last.
    zone : str
        The site's time zone.
    """

    first: date
    last: date
    week: str
    log_end: datetime
    whole: bool
    zone: str


def period_of(
    facts: Facts,
    site: Site,
    *,
    week: str | None = None,
    first: date | None = None,
    last: date | None = None,
    weeks: "Sequence[Week] | None" = None,
    reach: tuple[datetime, datetime] | None = None,
) -> Period:
    """The period that was asked for; without any, the last whole week that the log speaks of.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    week : str, optional
        By ISO 8601, such as 2026-W53.
    first, last : date, optional
        Both included.
    weeks : sequence of Week, optional
        `weeks_of` these, where they are known already.
    reach : (datetime, datetime), optional
        `reach_of` these, where it is known already.

    Raises
    ------
    RunlogError
        There are no facts, no such week, a week and days at once, or the log says nothing of that time.
    """
    weeks = weeks_of(facts, site) if weeks is None else weeks
    if week and (first or last):
        raise RunlogError(f"--week {week} and --from or --to found, only one of the two expected")
    spoken = min(one.first for one in weeks), max(one.last for one in weeks)
    if week:
        monday = _monday(week)
        days = (monday, monday + _DAYS)
    elif first or last:
        days = (first or spoken[0], last or spoken[1])
    else:
        monday = max(one.monday for one in [one for one in weeks if one.whole] or weeks)
        days = (monday, monday + _DAYS)
    if days[0] > days[1]:
        raise RunlogError(f"--from {days[0]} --to {days[1]}: a first day not after the last one expected")
    if not any(one.first <= days[1] and one.last >= days[0] for one in weeks):
        asked = week or f"{days[0]} to {days[1]}"
        raise RunlogError(f"{asked}: nothing in the log, days from {spoken[0]} to {spoken[1]} expected")
    reach = reach_of(facts) if reach is None else reach
    ends = _shifts_of(site, *days)["shift_end"].to_list()
    is_week = days[0].weekday() == 0 and days[1] - days[0] == _DAYS
    name = f"{days[0]:%G-W%V}" if is_week else ""
    return Period(*days, name, reach[1], _reaches(reach, ends), site.site.time_zone)


def in_period(rows: pl.LazyFrame, period: Period, margin_days: int = 0) -> pl.LazyFrame:
    """Rows whose shift_date lies in the period, or so many days beside it."""
    margin = timedelta(days=margin_days)
    return rows.filter(pl.col("shift_date").is_between(period.first - margin, period.last + margin))


def held_near(facts: Facts, period: Period, before: Mapping[str, timedelta]) -> Facts:
    """Some tables around a period, read now, so that many questions read them once and a long history costs no more.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    period : Period
    before : mapping of str to timedelta
        By table, how long before the period its rows are wanted: those are left out that end before that or begin after
        the period, each by a week at least.

    Returns
    -------
    mapping of str to LazyFrame
        These tables in memory; the others as they were.
    """
    zone, last = ZoneInfo(period.zone), period.last + _BESIDE
    near = {}
    for name, reach in before.items():
        first = period.first - reach - _BESIDE
        begin, end = (datetime.combine(day, time(0), tzinfo=zone).astimezone(UTC) for day in (first, last))
        columns = facts[name].collect_schema()
        if "shift_date" in columns:
            near[name] = facts[name].filter(pl.col("shift_date").is_between(first, last))
        else:
            instants = [pl.col(one) for one, dtype in columns.items() if isinstance(dtype, pl.Datetime)]
            reaches_in = (pl.max_horizontal(instants) >= begin) & (pl.min_horizontal(instants) < end)
            near[name] = facts[name].filter(reaches_in)
    read = pl.collect_all(near.values())
    return {**facts, **{name: frame.lazy() for name, frame in zip(near, read, strict=True)}}


@dataclass(frozen=True)
class Week:
    """A week the log speaks of: its first and last day with a log, and whether the log reaches through all of it."""

    monday: date
    first: date
    last: date
    whole: bool

    @property
    def name(self) -> str:
        """By ISO 8601, such as 2026-W53."""
        return f"{self.monday:%G-W%V}"


def weeks_of(facts: Facts, site: Site) -> list[Week]:
    """Every week the log speaks of, the oldest first.

    Raises
    ------
    RunlogError
        There are no facts.
    """
    if found := _weeks(facts, site):
        return found
    raise RunlogError("The store holds no facts yet: read logs first, `runlog ingest PATH --site site.toml`.")


def _weeks(facts: Facts, site: Site) -> list[Week]:
    spoken = facts["shift_figures"].filter(
        (pl.col("pbt_s") > pl.col("no_signal_s")) | (pl.col("parts") > 0) | (pl.col("off_plan_s") > 0)
    )
    rows = (
        spoken.group_by(monday=pl.col("shift_date").dt.truncate("1w"))
        .agg(first=pl.col("shift_date").min(), last=pl.col("shift_date").max())
        .sort("monday")
        .collect()
        .rows()
    )
    if not rows:
        return []
    reach = reach_of(facts)
    shifts = _shifts_of(site, rows[0][0], rows[-1][0] + _DAYS)
    by_week = shifts.group_by(pl.col("shift_date").dt.truncate("1w")).agg("shift_end")
    ends = dict(by_week.iter_rows())
    return [Week(monday, first, last, _reaches(reach, ends.get(monday, []))) for monday, first, last in rows]


def reach_of(facts: Facts) -> tuple[datetime, datetime]:
    """First and last instant of the log of all machines."""
    return facts["spans"].select(pl.col("start").min(), pl.col("end").max()).collect().row(0)


def _shifts_of(site: Site, first: date, last: date) -> pl.DataFrame:
    """Shifts that start on these days, both included."""
    midnight = datetime.combine(first, time(0), tzinfo=site.zone)
    after = datetime.combine(last + timedelta(days=1), time(0), tzinfo=site.zone)
    return calendar.shifts(site, midnight, after).filter(pl.col("shift_date").is_between(first, last))


def _reaches(reach: tuple[datetime, datetime], ends: list[datetime]) -> bool:
    """Whether the log reaches from the first of some shifts to the end of the last."""
    return not ends or (reach[0] < min(ends) and max(ends) <= reach[1])


def _monday(week: str) -> date:
    found = _WEEK.fullmatch(week.strip())
    if found is None:
        raise RunlogError(f"--week {week}: a week by ISO 8601 expected, such as 2026-W12")
    try:
        return date.fromisocalendar(int(found[1]), int(found[2]), 1)
    except ValueError:
        raise RunlogError(f"--week {week}: no such week, 1 to 52 expected, 53 in long years only") from None

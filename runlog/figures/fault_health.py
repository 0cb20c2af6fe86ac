"""Chronic or bad luck for any cause of stops: faults per 100 hours run, by group, and when they came.

    health = fault_health(facts, site, "misfeed")
    health.groups      # one row a group: count, hours, interval, comparison, verdict, sentence
    health.trends      # more and more, fewer and fewer, or steady
    health.steps       # machines that changed from one day on
    health.points      # cumulative faults against hours and reloads, to draw

The same rules as for reloads (`judging`), with exact Poisson limits in the place of those of a share.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Final

import polars as pl

from runlog.figures import fault_pattern
from runlog.figures.fault_groups import DIMENSIONS, causes_named, fault_rows, running, spans_near, stopped
from runlog.figures.group_pairs import INSIDE, alike, pairs, through
from runlog.figures.groups import in_shifts
from runlog.figures.judging import BY_HOURS, judged, with_sentence
from runlog.figures.since_fix import done_by, last_fixes, since_last_fix
from runlog.figures.tally import Tally
from runlog.figures.window import Facts
from runlog.site import Site
from runlog.statistics.counts import widened_per_hour

WINDOW: Final = timedelta(weeks=13, days=-1)

GROUPS: Final = pl.Schema(dict(BY_HOURS.columns) | {"through": pl.String(), "sentence": pl.String()})
PAIRS: Final = pl.Schema(dict.fromkeys(INSIDE, pl.String()) | dict(BY_HOURS.columns) | {"sentence": pl.String()})
CAUSES: Final = pl.Schema(
    {"cause": pl.String(), "cause_group": pl.String(), "stops": pl.Int64(), "minor": pl.Int64()}
    | dict.fromkeys(("hours", "rate", "low", "high", "stopped_s"), pl.Float64())
)


@dataclass(frozen=True)
class Ran:
    """What machines ran in a stretch of time: the same for every cause.

    Attributes
    ----------
    within : Expr
        Of the shifts of this time.
    stretches : DataFrame
        `running`.
    reloads, order : DataFrame
        machine, start, shift_date of reloads; machine, shift_date, shift, shift_start of shifts.
    """

    within: pl.Expr
    stretches: pl.DataFrame
    reloads: pl.DataFrame
    order: pl.DataFrame


@dataclass(frozen=True)
class FaultHealth:
    """What can be said of the stops of one cause, or of a group of causes.

    Attributes
    ----------
    causes : list of str
        Which.
    groups, pairs, alike : pl.DataFrame
        GROUPS, PAIRS, ALIKE as for reloads; rates per 100 hours run.
    mended : pl.DataFrame
        LAST_FIXES: machines whose groups are looked at since they were last mended only.
    ran : Ran
        The machines that could have failed.
    stops : pl.DataFrame
        `stopped`: every stop of these causes in the whole window.
    """

    causes: list[str]
    groups: pl.DataFrame
    pairs: pl.DataFrame
    alike: pl.DataFrame
    mended: pl.DataFrame
    ran: Ran
    stops: pl.DataFrame

    @property
    def first(self) -> datetime | None:
        """From when on machines ran; None if none did."""
        return self.ran.stretches["start"].min()  # type: ignore[return-value]

    @property
    def last(self) -> datetime | None:
        """Until when machines ran; None if none did."""
        return self.ran.stretches["end"].max()  # type: ignore[return-value]

    @cached_property
    def points(self) -> pl.DataFrame:
        """POINTS of `fault_pattern`."""
        return fault_pattern.points(self.ran.stretches, self.stops, self.ran.reloads)

    @cached_property
    def trends(self) -> pl.DataFrame:
        """TRENDS of `fault_pattern`."""
        return fault_pattern.trends(self.points, self.ran.stretches, self.ran.reloads)

    @cached_property
    def steps(self) -> pl.DataFrame:
        """STEPS of `fault_pattern`."""
        return fault_pattern.steps(fault_rows(self.ran.stretches, self.stops), self.ran.order)


def ran_in(facts: Facts, site: Site, *, first: date | None = None, last: date | None = None) -> Ran:
    """What machines ran on these days; see `fault_health`."""
    within = in_window(facts, first, last)
    stretches, reloads, order = pl.collect_all(
        frame.filter(within)
        for frame in (
            running(spans_near(facts, within), site),
            in_shifts(facts["reloads"], facts["shift_plans"], at="start").select("machine", "start", "shift_date"),
            facts["shift_plans"].select("machine", "shift_date", "shift", "shift_start"),
        )
    )
    return Ran(within, stretches, reloads, order)


def fault_health(
    facts: Facts,
    site: Site,
    cause: str,
    *,
    first: date | None = None,
    last: date | None = None,
    dimensions: Sequence[str] = DIMENSIONS,
    fixes: pl.DataFrame | None = None,
    ran: Ran | None = None,
) -> FaultHealth:
    """Judge the stops of a cause in a stretch of time.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    site : Site
    cause : str
        A cause, or a group of causes; minor stops count.
    first, last : date, optional
        Shifts that start on these days, both included; the last 13 weeks in which machines ran if not given.
    dimensions : sequence of str
        What to group by, one at a time; inside what is called, all DIMENSIONS are looked at.
    fixes : DataFrame, optional
        Rows of NOTES that are fixes in force: unless `first` is given, a machine's groups count since its last one
        against these causes; the pattern over time is of the whole window.
    ran : Ran, optional
        `ran_in` these days, where several causes are asked about.

    Raises
    ------
    RunlogError
        There is no such cause.
    """
    causes = causes_named(site, cause)
    ran = ran_in(facts, site, first=first, last=last) if ran is None else ran
    stops = stopped(facts, site, causes).filter(ran.within).collect()
    mended = last_fixes(None if first else done_by(fixes, last, site), causes)
    rows = fault_rows(since_last_fix(ran.stretches, mended), since_last_fix(stops, mended))
    tally = Tally.of(rows, [*DIMENSIONS, *dimensions])
    table = judged(tally.counted(dimensions, BY_HOURS), BY_HOURS)
    inside = pairs(tally, table, DIMENSIONS, BY_HOURS)
    groups = with_sentence(through(tally, table, inside, BY_HOURS), BY_HOURS)
    found = alike(tally, groups, inside, DIMENSIONS)
    return FaultHealth(causes, groups.select(*GROUPS), inside.select(*PAIRS), found, mended, ran, stops)


def causes(facts: Facts, site: Site, *, first: date | None = None, last: date | None = None) -> pl.DataFrame:
    """Every cause of stops with its rate per 100 hours run, the most frequent first (CAUSES)."""
    within = in_window(facts, first, last)
    hours = float(running(facts, site).filter(within).select(pl.col("hours").sum()).collect().item())
    found = (
        in_shifts(facts["stops"], facts["shift_plans"], at="start")
        .filter(within)
        .group_by("cause", "cause_group")
        .agg(stops=pl.len(), minor=pl.col("minor").sum(), stopped_s=pl.col("duration_s").sum())
        .sort("stops", "cause", descending=[True, False])
        .collect()
    )
    low, high = widened_per_hour(found["stops"].to_numpy(), hours, 1.0)
    told = found.with_columns(
        hours=pl.lit(hours),
        rate=100 * pl.col("stops") / hours if hours else pl.lit(None, pl.Float64),
        low=pl.Series(100 * low),
        high=pl.Series(100 * high),
    )
    return told.select(*CAUSES).cast(CAUSES)  # type: ignore[arg-type]


def in_window(facts: Facts, first: date | None, last: date | None) -> pl.Expr:
    """Shifts that start on these days; else of the last 13 weeks in which a machine ran."""
    day = pl.col("shift_date")
    ran = facts["shift_figures"].filter(pl.col("producing_s") + pl.col("off_plan_s") > 0)
    ends = last or ran.select(day.max()).collect().item()
    begins = first or (ends - WINDOW if ends else None)
    return (day <= ends if ends else pl.lit(True)) & (day >= begins if begins else pl.lit(True))

"""The week on one page: what each machine made of its plan, what was lost where, what changed.

    review = week_review(facts, site, now)                       the last whole week the log speaks of
    review = week_review(facts, site, now, week="2026-W12")

Everything a page or a terminal shows is a column or a sentence here.
"""

from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from typing import Final, Self

import polars as pl

from runlog.figures.changes import changed, shown
from runlog.figures.cutting import idle_thresholds
from runlog.figures.losses import RANKS, WIDEST_WINDOW, Rank, loss_rows, loss_sums, pareto
from runlog.figures.period import Period, held_near, in_period, period_of
from runlog.figures.setups import changeover_rows, compared
from runlog.figures.shift_sums import ENDED, QUARTER, ShiftSums, shift_sums
from runlog.figures.shifts import shift_tables
from runlog.figures.staircase import staircase
from runlog.figures.stock import bar_account, bar_rows, short_bars
from runlog.figures.trends import FIGURES, shift_series, trend_verdicts
from runlog.figures.week_change import week_changes
from runlog.figures.window import Facts, one_machine
from runlog.schema import REPORTED
from runlog.site import Site

_HERE: Final = dict.fromkeys(
    ["shift_figures", "shift_plans", "shift_losses", "reloads", "changeovers", "bars"], WIDEST_WINDOW
)
"""Tables of which those near a week are enough for what is told of itself, and how long before it that is.

Loads are not among them: thresholds are of all.
"""
_NEAR: Final = _HERE | dict.fromkeys(["shift_figures", "shift_plans", "ended"], QUARTER)
"""The same with what it is set against. Bars are held twice, as of a quarter's a few columns are enough."""


@dataclass(frozen=True)
class Near:
    """What reviews of some weeks read, in memory.

    Attributes
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name; of those that are long only what is near these weeks.
    sums : ShiftSums
        Of the quarter up to each of them.
    """

    facts: Facts
    sums: ShiftSums

    def of(self, site: Site, machine: str) -> Self:
        """What the reviews of one machine read.

        Raises
        ------
        RunlogError
            There is no such machine in the log.
        """
        return replace(self, facts=one_machine(self.facts, site, machine), sums=self.sums.of(machine))


@dataclass(frozen=True)
class WeekReview:
    """Everything the week shows.

    Attributes
    ----------
    period : Period
    machines, plant : DataFrame
        `shift_table` by machine, and of all of them together.
    thresholds : DataFrame
        `cutting.idle_thresholds`: above which load each spindle was taken to cut.
    account : DataFrame
        `loss_sums` of the plant.
    losses : DataFrame
        `pareto` of the plant by time, with `by_count` and `by_parts`, the places it would have by these.
    ranked : dict of str to DataFrame
        `pareto` of the plant by time, by count and by parts.
    bars, short : DataFrame
        `bar_account` by material, and `short_bars`.
    changeovers : DataFrame
        `compared`, of the plant.
    steps : DataFrame
        `staircase` of the plant.
    by_shift : DataFrame
        `shift_table` by machine and shift, in the order of time.
    sums : ShiftSums
        Of the quarter up to the end of the week, at least.
    shown : DataFrame
        REPORTED: what is shown of each shift, to be kept.
    changed : DataFrame
        Shifts that differ from what was last shown of this week (`changes.changed`); empty the first time.
    scrap_problems : DataFrame
        `quality.scrap_problems` of these days.
    """

    period: Period
    machines: pl.DataFrame
    plant: pl.DataFrame
    thresholds: pl.DataFrame
    account: pl.DataFrame
    losses: pl.DataFrame
    ranked: dict[Rank, pl.DataFrame]
    bars: pl.DataFrame
    short: pl.DataFrame
    changeovers: pl.DataFrame
    steps: pl.DataFrame
    by_shift: pl.DataFrame
    sums: ShiftSums
    shown: pl.DataFrame
    changed: pl.DataFrame
    scrap_problems: pl.DataFrame

    @cached_property
    def changes(self) -> pl.DataFrame:
        """`week_change.CHANGES`: set against the weeks before. Found when asked for, as all else is there sooner."""
        return week_changes(self.sums, self.period)

    @cached_property
    def trends(self) -> pl.DataFrame:
        """`trend_verdicts` up to the end of the week, with `said`, a sentence. Found when asked for."""
        return _trends(self.sums, self.period)


def held_near_weeks(facts: Facts, first: Period, last: Period) -> Near:
    """What reviews of weeks read: for whoever asks for one after the other, or for one machine after the other.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    first, last : Period
        The first and the last of the weeks; may be the same.
    """
    weeks = replace(last, first=first.first)
    held = held_near({**facts, "ended": facts["bars"].select(ENDED)}, weeks, _NEAR)
    sums = shift_sums({**held, "bars": held["ended"]})
    return Near({name: held[name] for name in facts}, sums)


def week_review(
    facts: Facts,
    site: Site,
    now: datetime,
    *,
    week: str | Period | None = None,
    machine: str | None = None,
    before: pl.LazyFrame | None = None,
    problems: pl.DataFrame | None = None,
    thresholds: pl.DataFrame | None = None,
    near: Near | None = None,
) -> WeekReview:
    """Review a week.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name, with scrap lists counted (`quality.with_scrap`).
    site : Site
    now : datetime
        With zone: when it is shown.
    week : str or Period, optional
        By ISO 8601, such as 2026-W53, or what `period_of` has made of it; the last whole one if not given.
    machine : str, optional
        Only this machine.
    before : LazyFrame, optional
        REPORTED, what was shown when; nothing was if not given.
    problems : DataFrame, optional
        From `quality.scrap_problems`.
    thresholds : DataFrame, optional
        `cutting.idle_thresholds` of all machines, where they are known already: they take a look at all there is.
    near : Near, optional
        `held_near_weeks`, this one among them, of all machines; read if not given.

    Raises
    ------
    RunlogError
        There are no facts, no such week, or no such machine.
    """
    period = week if isinstance(week, Period) else period_of(facts, site, week=week)
    held = held_near_weeks(facts, period, period) if near is None else near
    if machine is not None:
        held = held.of(site, machine)
    # Placing bars and bar changes in shifts takes long: only those that may be of this week.
    facts = held_near(held.facts, period, _HERE)
    known = idle_thresholds(facts["shift_loads"]) if thresholds is None else _of_machine(thresholds.lazy(), machine)
    # Each of these is asked several times: planning them anew for every question takes longer than the answers.
    known, losses, bars = pl.collect_all(
        [known, loss_rows(facts, site, period), in_period(bar_rows(facts, site), period)]
    )
    machines, plant, by_shift = shift_tables(
        facts, site, period, [("machine",), ("plant",), ("shift", "machine")], thresholds=known, bars=bars
    )
    now_shown = shown(facts, period, now)
    account, bars_used, short, changeovers, *by_rank = pl.collect_all(
        [
            loss_sums(losses.lazy(), ("plant",)),
            bar_account(bars.lazy(), ("material",)),
            short_bars(bars.lazy()),
            compared(in_period(changeover_rows(facts, site), period), ("plant",)),
            *(pareto(losses.lazy(), ("plant",), rank) for rank in RANKS),
        ]
    )
    ranked = dict(zip(RANKS, by_rank, strict=True))
    return WeekReview(
        period=period,
        machines=machines,
        plant=plant,
        thresholds=known,
        account=account,
        losses=_with_places(ranked),
        ranked=ranked,
        bars=bars_used,
        short=short,
        changeovers=changeovers,
        steps=staircase(account, ranked["time"]),
        by_shift=_in_time(by_shift, facts),
        sums=held.sums,
        shown=now_shown,
        changed=_changed(now_shown, before, period, machine),
        scrap_problems=_of_these(problems, period, machine),
    )


def _of_machine(rows: pl.LazyFrame, machine: str | None) -> pl.LazyFrame:
    return rows if machine is None else rows.filter(pl.col("machine") == machine)


def _in_time(by_shift: pl.DataFrame, facts: Facts) -> pl.DataFrame:
    """Shifts in the order of time, machines by name."""
    shift = ["shift_date", "shift"]
    begins = facts["shift_figures"].group_by(shift).agg(pl.col("shift_start").min()).collect()
    return by_shift.join(begins, on=shift, how="left").sort("shift_start", "machine").drop("shift_start")


def _with_places(ranked: dict[Rank, pl.DataFrame]) -> pl.DataFrame:
    """Losses by time, with the places they have by the other ranks."""
    told = ranked["time"]
    for rank in ("count", "parts"):
        places = ranked[rank].select("line", "cause", pl.col("rank").alias(f"by_{rank}"))
        told = told.join(places, on=["line", "cause"], how="left", nulls_equal=True)
    return told.sort("rank")


def _trends(sums: ShiftSums, period: Period) -> pl.DataFrame:
    """Verdicts with a sentence each, in the order of `trend_verdicts`."""
    told = trend_verdicts(shift_series(sums, period))
    figure = pl.col("figure").replace_strict(FIGURES, return_dtype=pl.String())
    what = pl.format("{}, {}: {}", "machine", "shift", figure)
    as_number = {name: name.endswith(("_s", "_100", "_hour")) for name in FIGURES}
    is_number = pl.col("figure").replace_strict(as_number, return_dtype=pl.Boolean())
    before, after = (
        pl.when(is_number)
        .then(pl.col(name).round(1).cast(pl.String))
        .otherwise(pl.format("{} %", (100 * pl.col(name)).round(1)))
        for name in ("before", "after")
    )
    said = (
        pl.when(pl.col("verdict") == "stepped")
        .then(pl.format("{} stepped on {}, from {} to {} (medians)", what, "at", before, after))
        .when(pl.col("verdict").is_in(["rising", "falling"]))
        .then(pl.format("{} {}, from {} to {} (medians of first and last quarter)", what, "verdict", before, after))
        .otherwise(pl.format("{} {}", what, "verdict"))
    )
    return told.with_columns(said=said)


def _changed(now: pl.DataFrame, before: pl.LazyFrame | None, period: Period, machine: str | None) -> pl.DataFrame:
    held = (REPORTED.empty() if before is None else before).filter(pl.col("week") == period.week)
    told = _of_machine(held, machine).collect()
    # A machine that was never shown before has nothing to differ from.
    known = now.join(told.select("machine").unique(), on="machine", how="semi")
    return changed(known, told)


def _of_these(problems: pl.DataFrame | None, period: Period, machine: str | None) -> pl.DataFrame:
    if problems is None:
        return pl.DataFrame()
    return _of_machine(in_period(problems.lazy(), period), machine).collect()

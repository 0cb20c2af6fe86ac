"""Chronic or bad luck: fault rates of reloads by group, and what can be said of each.

    health = reload_health(facts, site)
    health.groups        # one row a group: count, chances, interval, comparison, verdict, sentence
    health.pairs         # groups inside one that is called
    health.alike         # groups that cannot be told apart in this data

Faults of one night are not independent: one bent bar makes three. So the unit of comparison is a machine's shift with
at least one reload, not the reload. Rates are per 100 reloads with exact limits, widened by how much more units vary
than chance lets them. The pattern is looked for by machine, diameter, lot and so on at once, so the false discovery
rate over all of these is held at 5 %.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import polars as pl

from runlog.figures.group_pairs import INSIDE, alike, pairs, through
from runlog.figures.judging import BY_RELOADS, with_sentence
from runlog.figures.judging import judged as judged_counts
from runlog.figures.reload_groups import DIMENSIONS, grouped_reloads, rated_reloads
from runlog.figures.since_fix import done_by, last_fixes, since_last_fix
from runlog.figures.tally import Tally
from runlog.figures.window import Facts
from runlog.site import Site

WINDOW: Final = timedelta(weeks=13, days=-1)


@dataclass(frozen=True)
class ReloadHealth:
    """What can be said of the reloads of some weeks.

    Attributes
    ----------
    groups : pl.DataFrame
        GROUPS: one row a group, the clearest first; all rates per 100 reloads, those of the others null where there are
        none. `through`: the group or pair without which a chronic one would be none.
    pairs : pl.DataFrame
        PAIRS: groups inside a chronic one, compared with the rest of it.
    alike : pl.DataFrame
        ALIKE: called groups that hold nearly the same reloads.
    mended : pl.DataFrame
        LAST_FIXES: machines that are looked at since they were last mended only.
    first, last : datetime
        Start of the first reload and of the last that were looked at; None without any.
    """

    groups: pl.DataFrame
    pairs: pl.DataFrame
    alike: pl.DataFrame
    mended: pl.DataFrame
    first: datetime | None
    last: datetime | None


_COLUMNS: Final = dict(BY_RELOADS.columns)
_AT: Final = list(_COLUMNS).index("reloads") + 1
GROUPS: Final = pl.Schema(
    dict(list(_COLUMNS.items())[:_AT])
    | {"unrated": pl.Int64()}
    | dict(list(_COLUMNS.items())[_AT:])
    | {"through": pl.String(), "sentence": pl.String()}
)
PAIRS: Final = pl.Schema(dict.fromkeys(INSIDE, pl.String()) | _COLUMNS | {"sentence": pl.String()})


def reload_health(
    facts: Facts,
    site: Site,
    *,
    first: date | None = None,
    last: date | None = None,
    dimensions: Sequence[str] = DIMENSIONS,
    fixes: pl.DataFrame | None = None,
    held: pl.DataFrame | None = None,
) -> ReloadHealth:
    """Judge the reloads of a stretch of time.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    site : Site
        Its goal, `reload_fault_goal_per_100`.
    first, last : date, optional
        Reloads of shifts that start on these days, both included; the last 13 weeks with reloads if not given.
    dimensions : sequence of str
        What to group by, one at a time; inside what is called, all DIMENSIONS are looked at.
    fixes : DataFrame, optional
        Rows of NOTES that are fixes in force: unless `first` is given, a machine counts since its last one.
    held : DataFrame, optional
        `reloads_within` these days, where several questions are asked of them.
    """
    rows = within(rated_reloads(*_tables(facts)).collect(), first, last) if held is None else held
    mended = last_fixes(None if first else done_by(fixes, last, site), None)
    rows = since_last_fix(rows, mended)
    tally = tally_of(rows, [*DIMENSIONS, *dimensions])
    table = judged(rows, tally, site.limits_.reload_fault_goal_per_100, dimensions)
    inside = pairs(tally, table, DIMENSIONS, BY_RELOADS)
    groups = through(tally, table.drop("through"), inside, BY_RELOADS).select(*GROUPS)
    span = rows.select(first=pl.col("start").min(), last=pl.col("start").max()).row(0)
    return ReloadHealth(groups, inside.select(*PAIRS), alike(tally, groups, inside, DIMENSIONS), mended, *span)


def reloads_within(facts: Facts, *, first: date | None = None, last: date | None = None) -> pl.DataFrame:
    """Reloads of these days by their groups, with all that RELOADS tells of each; by machine, then start."""
    return within(grouped_reloads(*_tables(facts)).sort("machine", "start").collect(), first, last)


def _tables(facts: Facts) -> tuple[pl.LazyFrame, pl.LazyFrame, pl.LazyFrame]:
    return facts["reloads"], facts["changeovers"], facts["shift_plans"]


def within(rows: pl.DataFrame, first: date | None, last: date | None) -> pl.DataFrame:
    """Rows of shifts that start on these days, both included; of the last 13 weeks with rows if not given."""
    day = pl.col("shift_date")
    rows = rows.filter(day <= last) if last else rows
    return rows.filter(day >= (first or day.max() - WINDOW))


def as_chances(rows: pl.DataFrame) -> pl.DataFrame:
    """Reloads as faults of chances; one that ended empty or unclear is no chance."""
    return rows.with_columns(
        faults=(pl.col("fault") & pl.col("rated")).cast(pl.Int64), chances=pl.col("rated").cast(pl.Int64)
    )


def tally_of(rows: pl.DataFrame, dimensions: Sequence[str]) -> Tally:
    """Rated reloads and their faults, ready to be counted by some dimensions."""
    return Tally.of(as_chances(rows).filter("rated"), dimensions)


def judged(rows: pl.DataFrame, tally: Tally, goal: float, dimensions: Sequence[str] = DIMENSIONS) -> pl.DataFrame:
    """Judge every group of some dimensions.

    Parameters
    ----------
    rows : DataFrame
        From `rated_reloads`.
    tally : Tally
        Of these.
    goal : float
        Faults per 100 reloads that the shop means to stay below.
    dimensions : sequence of str
        What to group by, one at a time.

    Returns
    -------
    DataFrame
        GROUPS; `through` is not told yet.
    """
    table = judged_counts(tally.counted(dimensions, BY_RELOADS), BY_RELOADS, goal=goal)
    beside = (
        rows.filter(~pl.col("rated"))
        .unpivot([*dict.fromkeys(dimensions)], variable_name="dimension", value_name="group")
        .group_by("dimension", "group")
        .agg(unrated=pl.len().cast(pl.Int64))
    )
    told = table.join(beside, on=["dimension", "group"], how="left", maintain_order="left").with_columns(
        pl.col("unrated").fill_null(0), through=pl.lit(None, pl.String)
    )
    return with_sentence(told, BY_RELOADS).select(*GROUPS)

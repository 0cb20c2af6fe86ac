"""When reload faults came: more and more, fewer and fewer, or from one day on.

    pattern = reload_pattern(facts)
    pattern.trends, pattern.steps, pattern.points      # as of `fault_pattern`; steps per 100 reloads

The whole window counts, whatever was mended in it: a fix that worked shows as a step.
"""

from dataclasses import dataclass
from datetime import date
from typing import Final

import polars as pl

from runlog.figures import fault_pattern
from runlog.figures.fault_groups import spans_near, stretches
from runlog.figures.reload_health import as_chances, reloads_within
from runlog.figures.window import Facts

_BY_RELOADS: Final = {"hours_before": "reloads_before", "hours_after": "reloads_after"}
STEPS: Final = pl.Schema({_BY_RELOADS.get(name, name): dtype for name, dtype in fault_pattern.STEPS.items()})


@dataclass(frozen=True)
class ReloadPattern:
    """When reload faults came.

    Attributes
    ----------
    trends, points : pl.DataFrame
        TRENDS and POINTS of `fault_pattern`.
    steps : pl.DataFrame
        STEPS; rates per 100 reloads.
    """

    trends: pl.DataFrame
    points: pl.DataFrame
    steps: pl.DataFrame


def reload_pattern(
    facts: Facts, *, first: date | None = None, last: date | None = None, held: pl.DataFrame | None = None
) -> ReloadPattern:
    """Look for trends and steps in the faults of reloads that count in a rate.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    first, last : date, optional
        Shifts that start on these days, both included; the last 13 weeks with reloads if not given.
    held : DataFrame, optional
        `reload_health.reloads_within` these days, where several questions are asked of them.
    """
    rows = reloads_within(facts, first=first, last=last) if held is None else held
    rated = as_chances(rows).filter("rated")
    days = pl.col("shift_date").is_between(rows["shift_date"].min(), rows["shift_date"].max())
    ran = (stretches(spans_near(facts, days)).filter(days) if rows.height else stretches(facts).clear()).collect()
    order = facts["shift_plans"].select("machine", "shift_date", "shift", "shift_start").collect()
    faults = rated.filter("fault").select("machine", "start", "shift_date", "shift")
    drawn = fault_pattern.points(ran, faults, rated.select("machine", "start"))
    return ReloadPattern(
        trends=fault_pattern.trends(drawn, ran, rated.select("machine", "start")),
        points=drawn,
        steps=fault_pattern.steps(rated, order).rename(_BY_RELOADS),
    )

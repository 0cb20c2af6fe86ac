"""Charts of reload health as specifications, each made once for what the store holds.

Making one takes longer than the figures in it, and the page is drawn anew at every click. That they keep to the schema
is for the tests to see.
"""

from datetime import date
from typing import Any

import data
import health_asks as asks
import health_charts as charts
import polars as pl
import theme
from drawing import specification
from health_asks import Scope
from theme import Look

from runlog.figures.fault_pattern import fitted

Spec = dict[str, Any]


def rates(here: data.Place, of: Scope, by: str, group: str | None) -> Spec:
    """Rates by group, one of them chosen."""
    return data.kept(here, _rates, of, by, group, theme.look())


def strip(here: data.Place, of: Scope, by: str, group: str, span: tuple[date, date]) -> Spec:
    """What a group is made of, over time."""
    return data.kept(here, _strip, of, by, group, span, theme.look())


def cumulative(here: data.Place, of: Scope, scope: str, clock: str) -> Spec:
    """Shifts with a fault counted up."""
    return data.kept(here, _cumulative, of, scope, clock, theme.look())


def times(here: data.Place, of: Scope, machine: str, job: str) -> dict[str, Spec]:
    """Reload times of a machine and job, their EWMA and their CUSUM."""
    return data.kept(here, _times, of, machine, job, theme.look())


def fixes(here: data.Place, machine: str | None, zone: str) -> Spec | None:
    """Ratios of rates; None without any."""
    return data.kept(here, _fixes, machine, zone, theme.look())


# --- made once -----------------------------------------------------------------------------------


def _rates(here: data.Place, of: Scope, by: str, group: str | None, look: Look) -> Spec:
    rows = asks.judged(here, of).groups.filter(pl.col("dimension") == by)
    return specification(charts.rates(rows, group, of.per, look))


def _strip(here: data.Place, of: Scope, by: str, group: str, span: tuple[date, date], look: Look) -> Spec:
    draw = charts.strip if of.of_reloads else charts.stop_strip
    return specification(draw(asks.members(here, of, by, group), span, data.site(here).site.time_zone, look))


def _cumulative(here: data.Place, of: Scope, scope: str, clock: str, look: Look) -> Spec:
    told = asks.pattern(here, of)
    line = fitted(told.trends).filter(scope=scope, clock=clock)
    return charts.cumulative(told.points.filter(scope=scope), line, clock, look)


def _times(here: data.Place, of: Scope, machine: str, job: str, look: Look) -> dict[str, Spec]:
    told = asks.durations(here, of)
    row = told.series.filter(machine=machine, job=job).row(0, named=True)
    own = told.points.filter(machine=machine, job=job)
    drawn = {
        "times": charts.durations(own, row, look),
        "ewma": charts.ewma(own, look),
        "cusum": charts.cusum(own, look),
    }
    return {name: specification(chart) for name, chart in drawn.items()}


def _fixes(here: data.Place, machine: str | None, zone: str, look: Look) -> Spec | None:
    checks = asks.checks(here)
    own = checks if machine is None else checks.filter(machine=machine)
    drawn = own.filter(pl.col("ratio").is_not_null()).sort("at", descending=True)
    return None if drawn.is_empty() else specification(charts.fixes(drawn, zone, look))

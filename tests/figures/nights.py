"""Fact tables of a few nights, written out by hand, for tests of what fails how often."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import polars as pl

from runlog.figures.window import Facts
from runlog.schema import ALARMS, CHANGEOVERS, RELOADS, SHIFT_FIGURES, SHIFT_PLANS, SPANS, STOPS, Table

DAY = datetime(2026, 3, 2, 22, tzinfo=UTC)
"""Start of night 0; each night lasts eight hours."""
SITE = """
[site]
name = "shop"
time_zone = "UTC"
[[machine]]
name = "T01"
[[machine]]
name = "T02"
[[machine]]
name = "T03"
[[job]]
name = "pin"
programs = ["O1"]
cycle_s = 60
part_mm = 30
parting_mm = 3
diameter_mm = 20
material = "C45"
density_kg_dm3 = 7.85
bar_mm = 1200
[[job]]
name = "cap"
programs = ["O2"]
cycle_s = 60
part_mm = 30
parting_mm = 3
diameter_mm = 32.5
material = "C45"
density_kg_dm3 = 7.85
bar_mm = 1200
"""
SHIFTS = """
[[shift]]
name = "day"
start = "06:00"
end = "22:00"
[[shift]]
name = "night"
start = "22:00"
end = "06:00"
attended = false
"""
"""A day with somebody there, and a night without: for sites that are to have nights."""


def table(schema: Table, rows: Iterable[dict]) -> pl.LazyFrame:
    return schema.conform(pl.LazyFrame([dict.fromkeys(schema.columns) | row for row in rows], schema=schema.schema))


def night(
    machine: str,
    day: int,
    *,
    stops: str = "",
    reloads: str = "",
    hours: float = 8.0,
    job: str = "pin",
    **columns: object,
) -> dict[str, list[dict]]:
    """A night of one machine.

    Parameters
    ----------
    stops : str
        A letter a stop, an hour apart from 23:00 on: m misfeed, t tool broken.
    reloads : str
        A letter a reload, ten minutes apart: c clean, s slow, r retried, f failed, u unclear.
    hours : float
        So long it runs, from 22:00 on.
    columns
        Further ones of the reloads.
    """
    start = DAY + timedelta(days=day)
    causes = {"m": "misfeed", "t": "tool broken"}
    words = {"c": "clean", "s": "slow", "r": "retried", "f": "failed", "u": "unclear"}
    shift = {"machine": machine, "shift_date": start.date(), "shift": "night", "attended": False}
    shift |= {"shift_start": start, "shift_end": start + timedelta(hours=8)}
    return {
        "spans": [
            {"machine": machine, "start": start, "end": start + timedelta(hours=hours), "kind": "producing", "job": job}
        ],
        "stops": [
            {"machine": machine, "start": start + timedelta(hours=1 + number), "cause": causes[letter], "job": job}
            | {"duration_s": 600.0, "minor": False, "cause_group": "any"}
            for number, letter in enumerate(stops)
        ],
        "reloads": [
            {"machine": machine, "start": start + timedelta(minutes=10 * number), "outcome": words[letter], "job": job}
            | {"hand_load": False, "duration_s": 40.0, "planned_s": 40.0}
            | columns
            for number, letter in enumerate(reloads)
        ],
        "shift_plans": [shift],
        "shift_figures": [shift | {"producing_s": 3600.0 * hours, "off_plan_s": 0.0, "pbt_s": 28_800.0}],
    }


def facts(*nights: dict[str, list[dict]], changeovers: Iterable[dict] = ()) -> Facts:
    joined = {name: [row for one in nights for row in one[name]] for name in nights[0]}
    schemas = {one.name: one for one in (SPANS, STOPS, RELOADS, SHIFT_PLANS, SHIFT_FIGURES)}
    return {name: table(schemas[name], rows) for name, rows in joined.items()} | {
        "changeovers": table(CHANGEOVERS, changeovers),
        "alarms": table(ALARMS, ()),
    }

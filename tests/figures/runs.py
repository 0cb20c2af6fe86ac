"""Facts of invented nights, a few words each, for tests of endurance and forecasts.

facts = night_facts(night("T01", 0, 8.0), night("T01", 1, 2.5, "stop", "tool broken"))
"""

from datetime import UTC, datetime, timedelta

import polars as pl
from figures.nights import SHIFTS

from runlog.schema import FACT_TABLES, TABLES
from runlog.site import Site, parse_site

START = datetime(2026, 3, 2, 22, tzinfo=UTC)
HOURS = 8.0
PER_BAR, CYCLE_S, RELOAD_S = 24, 75.0, 40.0
"""As the job below gives them: 1200 less 5 less 90 over 45.5 mm is 24 parts a bar."""


def site_of(*machines: str) -> Site:
    """A site of these machines, all with the same feeder, and two jobs."""
    return parse_site(
        """
[site]
name = "shop"
time_zone = "UTC"
"""
        + SHIFTS
        + "".join(
            f"""
[[machine]]
name = "{name}"
feeder = {{ bars_held = 20, longest_bar_mm = 1250, minimum_remnant_mm = 90, planned_reload_s = 40 }}
"""
            for name in machines
        )
        + "".join(
            f"""
[[job]]
name = "{name}"
programs = ["{name}"]
cycle_s = 75
part_mm = 42
parting_mm = 3
facing_mm = 0.5
top_cut_mm = 5
diameter_mm = {diameter}
material = "steel"
density_kg_dm3 = 7.85
bar_mm = 1200
"""
            for name, diameter in (("bush", 20), ("pin", 32.5))
        )
    )


SITE = site_of("T01", "T02", "T03")


def night(
    machine: str,
    number: int,
    hours: float = HOURS,
    ended_by: str | None = "window",
    cause: str | None = None,
    *,
    job: str = "bush",
    parts: int | None = None,
    reloads: int | None = None,
    bars: int | None = 20,
    bars_basis: str | None = "noted",
    parts_left: int | None = 0,
) -> dict[str, dict]:
    """One run that began with its window on a night counted from 0, and what goes with it."""
    start = START + timedelta(days=number)
    end = start + timedelta(hours=hours)
    made = int(hours * 3600 / (CYCLE_S + RELOAD_S / PER_BAR)) if parts is None else parts
    changed = -(-max(made - (parts_left or 0), 0) // PER_BAR) if reloads is None else reloads
    here = {"machine": machine, "job": job, "start": start}
    plan = {"machine": machine, "shift_date": start.date(), "shift": "night", "shift_start": start, "attended": False}
    plan |= {"shift_end": start + timedelta(hours=HOURS), "job": job}
    return {
        "unattended_runs": here
        | {"window_start": start, "planned_end": start + timedelta(hours=HOURS), "end": end, "ended_by": ended_by}
        | {"cause": cause, "parts": made, "reloads": changed, "planned_parts": 375.65},
        "spans": here | {"end": end, "kind": "producing", "attended": False},
        "shift_plans": plan | {"bars": bars, "bars_basis": bars_basis, "parts_left": parts_left},
        "shift_figures": plan
        | {"pbt_s": HOURS * 3600, "producing_s": hours * 3600, "reload_planned_s": 0.0, "reload_overrun_s": 0.0}
        | {"no_signal_s": 0.0, "parts": made, "off_plan_s": 0.0, "off_plan_parts": 0},
    }


def night_facts(*nights: dict[str, dict]) -> dict[str, pl.LazyFrame]:
    """Fact tables of these nights; all others are empty."""
    facts = {table.name: table.empty() for table in FACT_TABLES}
    for name in nights[0] if nights else ():
        rows = [dict.fromkeys(TABLES[name].columns) | one[name] for one in nights]
        facts[name] = pl.LazyFrame(rows, schema=TABLES[name].schema)
    return facts

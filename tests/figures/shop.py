"""Facts of an invented shop for tests of figures, derived once, and its truth."""

from datetime import date
from functools import cache

import polars as pl

from runlog.derive import derive
from runlog.figures.period import Period, period_of
from runlog.simulator import simulate_frames
from runlog.site import Site, parse_site

CELLS = {"T01": "north", "T02": "north", "T03": "south"}


@cache
def shop(
    seed: int = 4, days: int = 12, machines: int = 3
) -> tuple[dict[str, pl.LazyFrame], Site, dict[str, pl.DataFrame]]:
    """Facts, site (two cells), truth: Monday 5 October 2026 to the morning of Saturday the 17th."""
    events, truth, toml = simulate_frames(start=date(2026, 10, 5), days=days, seed=seed, machines=machines)
    for machine, cell in CELLS.items():
        toml = toml.replace(f'name = "{machine}"\nspindles', f'name = "{machine}"\ncell = "{cell}"\nspindles')
    site = parse_site(toml)
    return dict(derive(events.lazy(), site)), site, truth


def week_of(facts: dict[str, pl.LazyFrame], site: Site, week: str = "2026-W41") -> Period:
    return period_of(facts, site, week=week)

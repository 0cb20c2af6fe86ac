"""How fast a year of shift tables is rolled up: `python tests/benchmarks/rollup_speed.py`.

One year of 50 machines with three shifts a day and two jobs a shift, by ISO week and machine, against the least that
could work: polars alone summing the same columns of the same table by the same keys.
"""

import sys
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
from speed import best

from runlog.figures.groups import with_groups
from runlog.figures.rollup import SUMMED, rolled_up
from runlog.schema import SHIFT_FIGURES, SHIFT_PLANS
from runlog.site import parse_site

MACHINES, DAYS = 50, 365
SHIFTS = ("early", "late", "night")
JOBS = ("pin", "cap")


def shop() -> tuple[pl.DataFrame, pl.DataFrame, str]:
    """Shift figures, shift plans and a site of so many machines, all invented."""
    rng = np.random.default_rng(1)
    names = [f"T{number:02d}" for number in range(1, MACHINES + 1)]
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(DAYS)]
    start = pl.col("shift_date").cast(pl.Datetime("us")).dt.replace_time_zone("UTC")
    keys = (
        pl.DataFrame({"machine": names})
        .join(pl.DataFrame({"shift_date": days}), how="cross")
        .join(pl.DataFrame({"shift": SHIFTS, "hour": [6, 14, 22]}), how="cross")
        .with_columns(shift_start=start + pl.duration(hours="hour"))
        .with_columns(shift_end=pl.col("shift_start") + pl.duration(hours=8), attended=pl.col("shift") != "night")
    )
    figures = keys.join(pl.DataFrame({"job": JOBS}), how="cross")
    numbers = {
        name: rng.integers(0, 200, figures.height) if column.dtype.is_integer() else rng.random(figures.height) * 1e4
        for name, column in SHIFT_FIGURES.columns.items()
        if column.dtype.is_numeric()
    }
    full = figures.with_columns(pl.Series(name, values) for name, values in numbers.items()).with_columns(
        pri_basis=pl.lit("job")
    )
    blank = {
        name: pl.lit(None, column.dtype) for name, column in SHIFT_PLANS.columns.items() if name not in keys.columns
    }
    plans = keys.with_columns(**blank).with_columns(
        job=pl.lit("pin"), planned_parts=pl.lit(300.0), standard_time_s=pl.lit(90.0), pbt_s=pl.lit(28_800.0)
    )
    toml = '[site]\nname = "Big"\ntime_zone = "UTC"\n' + "".join(
        f'[[machine]]\nname = "{name}"\ncell = "{name[:2]}"\n' for name in names
    )
    return (
        SHIFT_FIGURES.conform(full.lazy()).collect(),
        SHIFT_PLANS.conform(plans.lazy()).collect(),
        toml,
    )


def report() -> str:
    figures, plans, toml = shop()
    site = parse_site(toml)
    grouped = with_groups(figures.lazy(), site).collect()

    def ours() -> pl.DataFrame:
        return rolled_up(
            with_groups(figures.lazy(), site), "machine", "week", plans=with_groups(plans.lazy(), site)
        ).collect()

    def bare() -> pl.DataFrame:
        return grouped.group_by("machine", "week").agg(pl.col(SUMMED).sum())

    took, limit, rows = best(ours), best(bare), ours().height
    began = datetime.now(UTC)
    return (
        f"{figures.height} rows of {MACHINES} machines and {DAYS} days to {rows} machine weeks, {began:%Y-%m-%d}: "
        f"{took:.3f} s; polars alone summing the same columns {limit:.3f} s; ratio {took / limit:.1f}"
    )


if __name__ == "__main__":
    sys.stdout.write(report() + "\n")

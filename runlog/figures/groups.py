"""What figures can be grouped by: the calendar of shift dates, the shop's cells, and which shift an instant is in.

with_groups(figures, site)      adds day, week, month, cell, plant
in_shifts(bars, plans, at="finished_at")
"""

from typing import Final

import polars as pl

from runlog.site import Site

GROUPS: Final = ("plant", "cell", "machine", "job", "shift", "day", "week", "month")
"""What `by` may be, in any combination."""

SHIFT: Final = ["machine", "shift_date", "shift"]
"""Columns that name a shift of a machine."""

NO_CELL: Final = "no cell"

COLUMNS: Final[dict[str, tuple[str, ...]]] = {name: (name,) for name in GROUPS} | {"shift": ("shift_date", "shift")}
"""Columns a grouping is made of: a shift is one of a date."""


def columns_of(by: tuple[str, ...]) -> list[str]:
    """Columns of a grouping by some of GROUPS, in the order given, each once."""
    return list(dict.fromkeys(name for one in by for name in COLUMNS[one]))


def with_groups(rows: pl.LazyFrame, site: Site) -> pl.LazyFrame:
    """Add day, week (ISO 8601, such as 2026-W53), month, cell and plant to rows with machine and shift_date.

    A shift belongs to the local date on which it starts, and with it to that date's week and month.
    """
    cells = pl.LazyFrame(
        {"machine": [one.name for one in site.machines], "cell": [one.cell or NO_CELL for one in site.machines]},
        schema={"machine": pl.String(), "cell": pl.String()},
    )
    return rows.join(cells, on="machine", how="left", maintain_order="left").with_columns(
        pl.col("cell").fill_null(NO_CELL),
        day=pl.col("shift_date"),
        week=iso_week(pl.col("shift_date")),
        month=pl.col("shift_date").dt.strftime("%Y-%m"),
        plant=pl.lit(site.site.name),
    )


def iso_week(date: pl.Expr) -> pl.Expr:
    """Week of a date by ISO 8601: week 1 holds the year's first Thursday. Text, such as 2026-W53."""
    return date.dt.strftime("%G-W%V")


def in_shifts(rows: pl.LazyFrame, plans: pl.LazyFrame, at: str) -> pl.LazyFrame:
    """Add shift_date and shift of an instant; an instant in no shift goes with the last one begun before it.

    Parameters
    ----------
    rows : LazyFrame
        With an instant column `at`; rows before the first shift, or without the instant, are left out.
    plans : LazyFrame
        SHIFT_PLANS: one row a machine and shift.
    at : str
        Name of the instant column.
    """
    shifts = plans.select("machine", "shift_date", "shift", _from="shift_start").sort("machine", "_from")
    return (
        rows.filter(pl.col(at).is_not_null())
        .sort("machine", at)
        .join_asof(shifts, left_on=at, right_on="_from", by="machine", check_sortedness=False, coalesce=False)
        .filter(pl.col("shift").is_not_null())
        .drop("_from")
    )

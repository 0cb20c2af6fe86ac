"""Scrap lists: how many parts of a shift were bad, as counted by hand or in gauging, in a CSV.

    date,shift,machine,job,quantity,reason
    2026-11-23,night,T01,pin 2208,3,thread torn

    rows = read_scrap(Path("scrap.csv"), site)

A list measures the quality of the shifts it names: their other parts were good, and a shift named with 0 had no scrap.
Columns may stand in any order, separated by comma, semicolon or tab; dates are 2026-11-23 or 23.11.2026.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import polars as pl

from runlog.lists import date_of, read_list, refuse
from runlog.schema import COUNT, SCRAP
from runlog.site import Site

NEEDED: Final = ("date", "shift", "machine", "job", "quantity")


def read_scrap(path: Path, site: Site) -> pl.DataFrame:
    """Read a scrap list.

    Parameters
    ----------
    path : Path
        CSV with the columns of NEEDED, and `reason` if there is one.
    site : Site
        Names the machines, shifts and jobs there are.

    Returns
    -------
    DataFrame
        SCRAP.

    Raises
    ------
    ReadingError
        The file is not there, lacks a column, or holds mistakes: all of them, with line and what is expected.
    """
    cells = read_list(path, NEEDED, optional=("reason",))
    rows = cells.with_columns(shift_date=date_of("date"), count=pl.col("quantity").cast(COUNT, strict=False))
    same = pl.struct("shift_date", "shift", "machine", "job", "reason")
    known = {
        "shift": [one.name for one in site.shift] or ["day"],
        "machine": [one.name for one in site.machines],
        "job": [one.name for one in site.jobs],
    }
    checks = {
        "date": (pl.col("shift_date").is_null(), "a date such as 2026-11-23"),
        **{name: (~pl.col(name).is_in(names).fill_null(False), _one_of(names)) for name, names in known.items()},
        "quantity": (~(pl.col("count") >= 0).fill_null(False), "a whole number of parts, 0 or more,"),
        "reason": (same.is_duplicated() & ~same.is_first_distinct(), "once for each shift, machine and job,"),
    }
    refuse(path, rows, checks)
    told = rows.with_columns(quantity="count", file=pl.lit(path.name), read_at=pl.lit(datetime.now(UTC)))
    return SCRAP.conform(told.lazy()).collect()


def _one_of(names: list[str]) -> str:
    return f"one of {', '.join(names)}"

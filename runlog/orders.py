"""Plans of the order system: how many parts of which job a machine is to make in a shift, in a CSV.

    date,shift,machine,job,quantity
    2026-11-23,night,T01,bush 4711,280

    taken = take_plans(Path("plan.csv"), site, store)     # read, check, keep; facts follow with the next derivation
    taken.mismatches                                      # what does not fit the site file, or the shift

What a file says of a machine's shift takes the place of all that was given for it before. A row without a quantity
takes back what was given: the computed plan holds again.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import polars as pl

from runlog.lists import date_of, read_list, refuse
from runlog.plan.given import SHIFT, mismatches
from runlog.schema import COUNT, PLANS
from runlog.site import Site
from runlog.store import Store

COLUMNS: Final = ("date", "shift", "machine", "job", "quantity")


@dataclass(frozen=True)
class Taken:
    """What became of a plan.

    Attributes
    ----------
    rows : pl.DataFrame
        PLANS, as they are kept.
    mismatches : list of str
        File and line each: names the site file does not know, shifts not planned that day, more than time or bars
        allow. The rows are kept all the same: the site file can follow, and who plans has the last word.
    """

    rows: pl.DataFrame
    mismatches: list[str]


def take_plans(path: Path, site: Site, store: Store) -> Taken:
    """Read a plan of the order system and keep it in the store.

    Raises
    ------
    ReadingError
        The file cannot be read or holds mistakes; nothing is kept then.
    StoreError
        The store cannot be written.
    """
    rows = read_plans(path)
    store.put(PLANS.name, rows, by=SHIFT)
    return Taken(rows, mismatches(rows, site))


def read_plans(path: Path) -> pl.DataFrame:
    """Read a plan of the order system.

    Parameters
    ----------
    path : Path
        CSV with the columns of COLUMNS, in any order.

    Returns
    -------
    DataFrame
        PLANS; a null quantity takes back what was given.

    Raises
    ------
    ReadingError
        The file cannot be read, lacks a column, or holds mistakes: all of them, with their lines.
    """
    cells = read_list(path, COLUMNS)
    rows = cells.with_columns(shift_date=date_of("date"), count=pl.col("quantity").cast(COUNT, strict=False))
    said_twice = pl.struct(*SHIFT, "job").is_duplicated() & ~pl.struct(*SHIFT, "job").is_first_distinct()
    count, named = pl.col("count"), pl.col("quantity").is_not_null()
    refuse(
        path,
        rows,
        {
            "date": (pl.col("shift_date").is_null(), "a date such as 2026-11-23"),
            "shift": (pl.col("shift").is_null(), "the name of a shift"),
            "machine": (pl.col("machine").is_null(), "the name of a machine"),
            "job": ((pl.col("job").is_null() & named) | said_twice, "a job, once for each machine and shift,"),
            "quantity": (named & (count.is_null() | (count < 0)), "a whole number of parts, 0 or more, or nothing"),
        },
    )
    told = rows.with_columns(
        pl.col("job").fill_null(""),
        quantity="count",
        file=pl.lit(path.name),
        read_at=pl.lit(datetime.now(UTC)),
    )
    return PLANS.conform(told.lazy()).collect()

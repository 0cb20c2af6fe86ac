"""What is loaded for tonight, as somebody writes it down: a CSV with a line a machine.

    machine,job,bars,start,left
    T01,bush 4711,12,22:00,6

    plan = read_night_plan(Path("tonight.csv"), site, now, start)

`bars` in the magazine, the one in the spindle left out; empty: not known, the magazine is taken as full. `start` as a
clock time or a date and time, local; empty: that of the others. `left`: parts left on the bar in the spindle; empty:
not known.
"""

from datetime import datetime
from pathlib import Path
from typing import Final

import polars as pl

from runlog.errors import ReadingError, RunlogError
from runlog.lists import read_list, refuse
from runlog.plan.clock import start_of
from runlog.site import Site

NEEDED: Final = ("machine", "job")
OPTIONAL: Final = ("bars", "start", "left")

NIGHT_PLAN: Final = pl.Schema(
    {
        "machine": pl.String(),
        "job": pl.String(),
        "bars": pl.Int64(),
        "parts_left": pl.Int64(),
        "at": pl.Datetime("us", "UTC"),
    }
)
"""One row a machine: bars in the magazine and parts left on the bar in the spindle, null where not known; its start."""


def read_night_plan(path: Path, site: Site, now: datetime, start: datetime) -> pl.DataFrame:
    """Read what is loaded for a night.

    Parameters
    ----------
    path : Path
        CSV with the columns of NEEDED, and any of OPTIONAL.
    site : Site
        Machines and jobs it may name.
    now : datetime
        With zone; a clock time is the next one after it.
    start : datetime
        Where the file gives none.

    Returns
    -------
    DataFrame
        NIGHT_PLAN.

    Raises
    ------
    ReadingError
        The file cannot be read, lacks a column, or holds mistakes: all of them, with their lines.
    """
    cells = read_list(path, NEEDED, OPTIONAL)
    rows = cells.with_columns(
        count=pl.col("bars").cast(pl.Int64, strict=False), rest=pl.col("left").cast(pl.Int64, strict=False)
    )
    machines, jobs = [one.name for one in site.machines], [one.name for one in site.jobs]
    again = pl.col("machine").is_duplicated() & ~pl.col("machine").is_first_distinct()
    refuse(
        path,
        rows,
        {
            "machine": (
                ~pl.col("machine").is_in(machines).fill_null(False) | again,
                f"a machine of the site file, once ({', '.join(machines) or 'it names none'}),",
            ),
            "job": (
                ~pl.col("job").is_in(jobs).fill_null(False),
                f"a job of the site file ({', '.join(jobs) or 'it names none'})",
            ),
            "bars": (_bad("bars", "count"), "a whole number of bars, 0 or more, or nothing"),
            "left": (_bad("left", "rest"), "a whole number of parts, 0 or more, or nothing"),
        },
    )
    starts = {text: _start(path, text, site, now) for text in rows["start"].drop_nulls().unique().to_list()}
    at = pl.col("start").replace_strict(starts, default=None, return_dtype=NIGHT_PLAN["at"]).fill_null(start)
    return rows.select("machine", "job", bars="count", parts_left="rest", at=at).cast(NIGHT_PLAN)  # type: ignore[arg-type]


def _bad(written: str, read: str) -> pl.Expr:
    return pl.col(written).is_not_null() & (pl.col(read).is_null() | (pl.col(read) < 0))


def _start(path: Path, text: str, site: Site, now: datetime) -> datetime:
    try:
        return start_of(text, site, now)
    except RunlogError as error:
        raise ReadingError(f"{path.name}: {str(error).replace('--start', 'start')}") from None

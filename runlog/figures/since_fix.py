"""What a machine did before it was last mended says nothing of how it is now: it is looked at since its last fix.

held = last_fixes(notes, None)             machine, since, text: against reload faults
rows = since_last_fix(rows, held)          what began later
"""

from collections.abc import Sequence
from datetime import date
from typing import Final

import polars as pl

from runlog.site import Site

LAST_FIXES: Final = pl.Schema({"machine": pl.String(), "since": pl.Datetime("us", "UTC"), "text": pl.String()})


def last_fixes(fixes: pl.DataFrame | None, causes: Sequence[str] | None) -> pl.DataFrame:
    """The last fix of each machine.

    Parameters
    ----------
    fixes : DataFrame, optional
        Rows of NOTES that are fixes in force; none without.
    causes : sequence of str, optional
        Against stops of which causes; against reload faults if not given.

    Returns
    -------
    DataFrame
        LAST_FIXES; `since` is its end: the day's, where no clock time was told.
    """
    if fixes is None:
        return pl.DataFrame(schema=LAST_FIXES)
    against = pl.col("cause").is_null() if causes is None else pl.col("cause").is_in(causes)
    found = fixes.filter(against).sort("until").unique("machine", keep="last", maintain_order=True)
    return found.select("machine", pl.col("until").alias("since"), "text").sort("machine")


def done_by(fixes: pl.DataFrame | None, last: date | None, site: Site) -> pl.DataFrame | None:
    """Fixes of days up to the last that is looked at: what came later says nothing of the time before it."""
    if fixes is None or last is None:
        return fixes
    return fixes.filter(pl.col("at").dt.convert_time_zone(site.site.time_zone).dt.date() <= last)


def since_last_fix(rows: pl.DataFrame, last: pl.DataFrame) -> pl.DataFrame:
    """Rows (machine, start) that began after their machine's last fix; all of machines without one."""
    joined = rows.join(last.select("machine", "since"), on="machine", how="left", maintain_order="left")
    return joined.filter(pl.col("since").is_null() | (pl.col("start") >= pl.col("since"))).drop("since")

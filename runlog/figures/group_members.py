"""From a verdict to what it is made of: the reloads, or the stops, of one group.

    reloads = reloads_of(facts, site, "machine", "T01")             newest first, each with its night
    stops = stops_of(facts, site, "misfeed", "machine", "T01")

They are those that `reload_health` and `fault_health` count for the same days and fixes.
"""

from datetime import date
from typing import Final

import polars as pl

from runlog.figures.fault_groups import causes_named, grouped_stops
from runlog.figures.fault_health import in_window
from runlog.figures.reload_health import reloads_within
from runlog.figures.since_fix import done_by, last_fixes, since_last_fix
from runlog.figures.window import Facts, in_nights
from runlog.schema import RELOADS, STOPS
from runlog.site import Site

_PLACE: Final = {"shift_date": pl.Date(), "shift": pl.String(), "night": pl.Date()}
OF_RELOADS: Final = pl.Schema(
    dict(RELOADS.schema) | _PLACE | {"rated": pl.Boolean(), "fault": pl.Boolean(), "bar position": pl.String()}
)
OF_STOPS: Final = pl.Schema(dict(STOPS.schema) | _PLACE)


def reloads_of(
    facts: Facts,
    site: Site,
    dimension: str,
    group: str,
    *,
    first: date | None = None,
    last: date | None = None,
    fixes: pl.DataFrame | None = None,
    held: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Reloads of a group that count in a rate or beside it.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    site : Site
    dimension, group : str
        One of DIMENSIONS of `reload_groups`, and a group of it.
    first, last, fixes, held
        As in `reload_health`.

    Returns
    -------
    DataFrame
        OF_RELOADS, the newest first; `night` is the local date of the night it began in, null outside nights.
    """
    rows = reloads_within(facts, first=first, last=last) if held is None else held
    rows = since_last_fix(rows, last_fixes(None if first else done_by(fixes, last, site), None)).filter(
        pl.col(dimension) == group
    )
    return in_nights(rows, facts, site).sort("start", "machine", descending=[True, False]).select(*OF_RELOADS)


def stops_of(
    facts: Facts,
    site: Site,
    cause: str,
    dimension: str,
    group: str,
    *,
    first: date | None = None,
    last: date | None = None,
    fixes: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Stops of a cause, or group of causes, in a group (OF_STOPS), the newest first.

    Parameters as above; `dimension` is one of those of `fault_groups`, the rest as in `fault_health`.

    Raises
    ------
    RunlogError
        There is no such cause.
    """
    causes = causes_named(site, cause)
    rows = grouped_stops(facts, site, causes).filter(in_window(facts, first, last)).collect()
    rows = since_last_fix(rows, last_fixes(None if first else done_by(fixes, last, site), causes)).filter(
        pl.col(dimension) == group
    )
    return in_nights(rows, facts, site).sort("start", "machine", descending=[True, False]).select(*OF_STOPS)

"""How long each spindle turned at which load: what cutting is told from idling by.

A load holds until the next is told. It counts while its spindle turns, EXECUTION is ACTIVE and the time is planned.
"""

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import BY, RunningClock, covering, edges, held, merged, of_us, tiles
from runlog.derive.observations import Log
from runlog.derive.spindles import Turning
from runlog.schema import SHIFT_LOADS

SPINDLES = ("main", "sub")


def shift_loads(pieces: pl.LazyFrame, log: Log, turns: dict[str, Turning], ctx: Context) -> pl.LazyFrame:
    """Seconds of each machine, shift, job, spindle and load (SHIFT_LOADS).

    Parameters
    ----------
    pieces : LazyFrame
        From `shift_figures.cut_to_shifts`.
    log : Log
    turns : dict of str to Turning
        From `spindles.turning`.
    ctx : Context
    """
    key = (BY, "shift_date", "shift", "job")
    planned = merged(pieces.filter("planned").select(*key, "start", "end"), *key[1:])
    told = held(log.measured.filter(pl.col("item") == "LOAD").select(BY, "at", "seq", "component", "number"))
    loads = [_seconds(told.filter(pl.col("component") == name), planned, turns[name], log, key) for name in SPINDLES]
    return SHIFT_LOADS.conform(
        pl.concat(frame.with_columns(component=pl.lit(name)) for name, frame in zip(SPINDLES, loads, strict=True)).sort(
            BY, "shift_date", "shift", "job", "component", "load"
        ),
        keep=(BY,),
    )


def _seconds(
    told: pl.LazyFrame, planned: pl.LazyFrame, turning: Turning, log: Log, key: tuple[str, ...]
) -> pl.LazyFrame:
    clock = RunningClock(turning.stretches)
    stretches = told.sort(BY, "at", "seq").select(
        BY, start="at", end=pl.col("at").shift(-1).over(BY), load=pl.col("number").round()
    )
    stretches = stretches.filter(pl.col("end").is_null() | (pl.col("end") > pl.col("start")))
    cut = tiles(edges(stretches), edges(planned), life=log.lives)
    known = covering(covering(cut, stretches, "load"), planned, *key[1:])
    read = clock.read(clock.read(known.drop_nulls(["load", "job"]), "start", "_from"), "end", "_to")
    return (
        read.group_by(*key, "load")
        .agg(seconds=of_us((pl.col("_to") - pl.col("_from")).sum()))
        .filter(pl.col("seconds") > 0)
    )

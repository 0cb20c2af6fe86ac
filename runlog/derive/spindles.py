"""Which spindle turns when, while the control says it executes.

A spindle turns while |ROTARY_VELOCITY ACTUAL| is at least `turning_above`; a value holds until the next.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import BY, RunningClock, after, of_us
from runlog.derive.observations import Log


@dataclass(frozen=True)
class Turning:
    """When a spindle turns, and on which machines that was measured at all.

    Attributes
    ----------
    stretches : LazyFrame
        machine, start, end.
    measured : LazyFrame
        machine: those whose log tells this spindle's speed.
    """

    stretches: pl.LazyFrame
    measured: pl.LazyFrame


def turning(log: Log, ctx: Context) -> dict[str, Turning]:
    """When the main spindle, the sub-spindle and both turn while EXECUTION is ACTIVE."""
    speed = log.measured.filter((pl.col("item") == "ROTARY_VELOCITY") & pl.col("sub_type").is_in(["ACTUAL", ""])).join(
        ctx.limits.select(BY, "turning_above"), on=BY, how="left", maintain_order="left"
    )
    turns = (pl.col("number").abs() >= pl.col("turning_above")).fill_null(False)
    rows = pl.concat(
        [
            speed.select(
                BY,
                "at",
                "seq",
                main=pl.when(pl.col("component") == "main").then(turns),
                sub=pl.when(pl.col("component") == "sub").then(turns),
            ),
            log.state.select(BY, "at", "seq", active=(pl.col("execution") == "ACTIVE").fill_null(False)),
        ],
        how="diagonal",
    )
    held = (
        rows.sort(BY, "at", "seq", nulls_last=True)
        .with_columns(pl.col("main", "sub", "active").forward_fill().over(BY))
        .with_columns(start="at", end=after("at"))
        .filter("active")
        .collect()
        .lazy()
    )
    told = {name: speed.filter(pl.col("component") == name).select(BY).unique() for name in ("main", "sub")}
    told["both"] = told["main"].join(told["sub"], on=BY, how="semi")
    when = {"main": pl.col("main"), "sub": pl.col("sub"), "both": pl.col("main") & pl.col("sub")}
    return {
        name: Turning(held.filter(flag & (pl.col("end") > pl.col("start"))).select(BY, "start", "end"), told[name])
        for name, flag in when.items()
    }


def with_turning(
    rows: pl.LazyFrame, stretches: pl.LazyFrame, turns: dict[str, Turning], key: Sequence[str]
) -> pl.LazyFrame:
    """Add `main_turning_s`, `sub_turning_s` and `both_turning_s` within the stretches of each key; null: not measured.

    Parameters
    ----------
    rows : LazyFrame
        One row a key.
    stretches : LazyFrame
        The key, start, end: the time that counts.
    turns : dict of str to Turning
        From `turning`.
    key : sequence of str
        Columns that name a row.
    """
    for name, spindle in turns.items():
        clock = RunningClock(spindle.stretches)
        column = f"{name}_turning_s"
        read = clock.read(clock.read(stretches, "start", "_from"), "end", "_to")
        summed = read.group_by(*key).agg(of_us((pl.col("_to") - pl.col("_from")).sum()).alias(column))
        measured = spindle.measured.with_columns(_measured=pl.lit(True))
        rows = (
            rows.join(summed, on=list(key), how="left")
            .join(measured, on=BY, how="left")
            .with_columns(pl.when("_measured").then(pl.col(column).fill_null(0.0)).alias(column))
            .drop("_measured")
        )
    return rows

"""The loss account: where planned busy time went, exact to the second and to the part.

    PBT = PRI x GQ + scrap + slow cycles + reload overrun + stops by cause + minor stops + setting + no signal

Slow cycles are APT - PRI x PQ and may be negative. Parts made unseen (in lost signal) move PRI x D from no
signal to production. While quality is not measured the first two lines are one, PRI x PQ. The account holds
per machine, shift and job; in parts, each line's seconds are divided by that job's own PRI.
"""

from typing import Final

import polars as pl

from runlog.figures.rollup import KEY

ACCOUNT: Final = pl.Schema(
    {
        "machine": pl.String(),
        "shift_date": pl.Date(),
        "shift": pl.String(),
        "job": pl.String(),
        "line": pl.String(),
        "cause": pl.String(),
        "seconds": pl.Float64(),
        "parts": pl.Float64(),
        "count": pl.Int64(),
    }
)
"""One line of the account; `line` is one of LINES, `cause` and `count` are those of stops and null elsewhere."""

LINES: Final = (
    "good parts",
    "parts made",
    "production",
    "scrap",
    "slow cycles",
    "reload overrun",
    "stops",
    "minor stops",
    "setting",
    "no signal",
)
PRODUCED: Final = ("good parts", "parts made", "production")
"""Lines that are no losses."""


def loss_account(figures: pl.LazyFrame, losses: pl.LazyFrame) -> pl.LazyFrame:
    """The account of every machine, shift and job (ACCOUNT); its seconds add up to PBT.

    Parameters
    ----------
    figures : LazyFrame
        SHIFT_FIGURES.
    losses : LazyFrame
        SHIFT_LOSSES.

    Notes
    -----
    Without a standard time (no job) production is one line, of the whole APT, and no line
    has parts.
    """
    pri = pl.col("pri_s")
    known = pri.is_not_null()
    measured = pl.col("good_parts").is_not_null()
    seen = pl.col("parts") - pl.col("parts_unseen")
    unseen_s = (pri * pl.col("parts_unseen")).fill_null(0.0)
    lines = {
        "good parts": pl.when(known & measured).then(pri * pl.col("good_parts")),
        "parts made": pl.when(known & ~measured).then(pri * pl.col("parts")),
        "production": pl.when(~known).then("apt_s"),
        "scrap": pl.when(known & measured).then(pri * (pl.col("parts") - pl.col("good_parts"))),
        "slow cycles": pl.when(known).then(pl.col("apt_s") - pri * seen),
        "reload overrun": pl.col("reload_overrun_s"),
        "setting": pl.col("setting_s"),
        "no signal": pl.col("no_signal_s") - unseen_s,
    }
    rows = figures.select(
        *KEY, "pri_s", *(seconds.cast(pl.Float64).alias(line) for line, seconds in lines.items())
    ).unpivot(index=[*KEY, "pri_s"], variable_name="line", value_name="seconds")
    by_cause = losses.join(figures.select(*KEY, "pri_s"), on=list(KEY), how="left").select(
        *KEY, "pri_s", line="loss", seconds="seconds", cause="cause", count="count"
    )
    return (
        pl.concat([rows.drop_nulls("seconds"), by_cause], how="diagonal")
        .filter((pl.col("seconds") != 0) | (pl.col("count") > 0) | pl.col("line").is_in(PRODUCED))
        .with_columns(parts=pl.col("seconds") / pl.col("pri_s"))
        .select(pl.col(name).cast(dtype) for name, dtype in ACCOUNT.items())
        .sort(*KEY, pl.col("line").replace_strict({line: n for n, line in enumerate(LINES)}), "cause")
    )

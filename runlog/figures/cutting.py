"""The share of time a spindle cuts, where its load is told: above an idle threshold found per machine and stated.

The threshold parts the loads at which the spindle turned into an idle and a cutting heap, by Otsu's method: where the
variance between the two, weighted by time, is largest. Where loads form no two heaps (the two explain no more of the
variance than the halves of a flat spread would, three quarters) nothing is said.

References
----------
N. Otsu, A threshold selection method from gray-level histograms, IEEE Trans. Systems, Man, and Cybernetics 9 (1979)
62-66.
"""

from typing import Final

import polars as pl

from runlog.figures.groups import with_groups
from runlog.figures.period import Period, in_period
from runlog.figures.window import Facts
from runlog.site import Site

LEAST_SEPARATION: Final = 0.76
"""Variance between two heaps over the whole; the halves of a flat spread have three quarters, of a bell two thirds."""

_SPINDLE: Final = ["machine", "component"]


def idle_thresholds(loads: pl.LazyFrame) -> pl.LazyFrame:
    """The load above which each spindle cuts, from all that its log tells.

    Parameters
    ----------
    loads : LazyFrame
        SHIFT_LOADS.

    Returns
    -------
    LazyFrame
        machine, component, threshold (midway between the heaps' nearest loads [%]; null where there are no two heaps),
        separation (share of the variance that the two heaps explain), hours (turning, with a load [h]).
    """
    heaps = (
        loads.group_by(*_SPINDLE, "load")
        .agg(pl.col("seconds").sum())
        .sort(*_SPINDLE, "load")
        .with_columns(weight=pl.col("seconds") / pl.col("seconds").sum().over(_SPINDLE))
    )
    weight, load = pl.col("weight"), pl.col("load")
    below, moment = weight.cum_sum().over(_SPINDLE), (weight * load).cum_sum().over(_SPINDLE)
    mean = (weight * load).sum().over(_SPINDLE)
    spread = (weight * load**2).sum().over(_SPINDLE) - mean**2
    rows = heaps.with_columns(
        between=(mean * below - moment) ** 2 / (below * (1 - below)),
        spread=spread,
        cut=(load + load.shift(-1).over(_SPINDLE)) / 2,
        hours=pl.col("seconds").sum().over(_SPINDLE) / 3600,
    )
    best = (
        rows.filter(pl.col("cut").is_not_null())
        .sort(*_SPINDLE, "between", "load", descending=[False, False, True, False])
        .group_by(_SPINDLE, maintain_order=True)
        .agg(pl.col("cut", "between").first())
    )
    return (
        rows.group_by(_SPINDLE, maintain_order=True)
        .agg(pl.col("hours", "spread").first())
        .join(best, on=_SPINDLE, how="left", maintain_order="left")
        .with_columns(separation=pl.when(pl.col("spread") > 0).then(pl.col("between") / pl.col("spread")))
        .with_columns(threshold=pl.when(pl.col("separation") >= LEAST_SEPARATION).then("cut"))
        .select(*_SPINDLE, "threshold", "separation", "hours")
    )


def cutting(facts: Facts, site: Site, period: Period, group: list[str]) -> pl.LazyFrame:
    """Cutting shares of a roll-up, for spindles that have a threshold.

    Returns
    -------
    LazyFrame
        The grouping's columns, then for main and sub: `_cutting_s`, `_cutting_share` (of PBT of the machines that tell
        it), `_cutting_of_turning` (of the time it turned with a load told). Groups without have no row.
    """
    known = idle_thresholds(facts["shift_loads"]).filter(pl.col("threshold").is_not_null())
    loads = in_period(with_groups(facts["shift_loads"], site), period).join(known, on=_SPINDLE, how="inner")
    figures = in_period(with_groups(facts["shift_figures"], site), period)
    whole = [*group, "_all"]
    rows = figures.select(*group, _all=pl.lit(0)).unique()
    for name in ("main", "sub"):
        mine = pl.col("component") == name
        told = known.filter(mine).select("machine")
        busy = (
            figures.with_columns(_all=pl.lit(0)).join(told, on="machine", how="semi").group_by(whole)
            .agg(_busy=pl.col("pbt_s").sum())
        )  # fmt: skip
        cut = pl.col("seconds").filter(pl.col("load") > pl.col("threshold")).sum()
        turned = (
            loads.filter(mine).with_columns(_all=pl.lit(0)).group_by(whole)
            .agg(_cut=cut, _turned=pl.col("seconds").sum())
        )  # fmt: skip
        rows = (
            rows.join(busy, on=whole, how="left", nulls_equal=True)
            .join(turned, on=whole, how="left", nulls_equal=True)
            .with_columns(pl.when(pl.col("_busy").is_not_null()).then(pl.col("_cut").fill_null(0.0)).alias("_cut"))
            .with_columns(
                pl.col("_cut").alias(f"{name}_cutting_s"),
                pl.when(pl.col("_busy") > 0).then(pl.col("_cut") / pl.col("_busy")).alias(f"{name}_cutting_share"),
                pl.when(pl.col("_turned") > 0)
                .then(pl.col("_cut") / pl.col("_turned"))
                .alias(f"{name}_cutting_of_turning"),
            )
            .drop("_busy", "_cut", "_turned")
        )
    return rows.drop("_all")

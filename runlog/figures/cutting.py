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
_SPINDLES: Final = {name: pl.col("component") == name for name in ("main", "sub")}


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


def held_loads(facts: Facts, site: Site, period: Period, known: pl.LazyFrame) -> pl.LazyFrame:
    """Loads of a period in their groups, of spindles that have a threshold: SHIFT_LOADS and `idle_thresholds`."""
    told = known.filter(pl.col("threshold").is_not_null())
    return in_period(with_groups(facts["shift_loads"], site), period).join(told, on=_SPINDLE, how="inner")


def cutting(figures: pl.LazyFrame, loads: pl.LazyFrame, known: pl.LazyFrame, group: list[str]) -> pl.LazyFrame:
    """Cutting shares of a roll-up, for spindles that have a threshold.

    Parameters
    ----------
    figures : LazyFrame
        SHIFT_FIGURES of the period with its groups.
    loads : LazyFrame
        `held_loads`.
    known : LazyFrame
        `idle_thresholds`.
    group : list of str
        Columns.

    Returns
    -------
    LazyFrame
        The grouping's columns, then for main and sub: `_cutting_s`, `_cutting_share` (of PBT of the machines that tell
        it), `_cutting_of_turning` (of the time it turned with a load told). Groups without have no row.
    """
    whole = [*group, "_all"]
    told = known.group_by("machine").agg(
        (mine & pl.col("threshold").is_not_null()).any().alias(f"_{name}") for name, mine in _SPINDLES.items()
    )
    busy = [
        pl.when(pl.col(f"_{name}").any()).then(pl.col("pbt_s").filter(f"_{name}").sum()).alias(f"_{name}_busy")
        for name in _SPINDLES
    ]
    cuts = pl.col("load") > pl.col("threshold")
    heard = [
        sum_of.alias(f"_{name}{what}")
        for name, mine in _SPINDLES.items()
        for what, sum_of in (
            ("_cut", pl.col("seconds").filter(mine & cuts).sum()),
            ("_turned", pl.col("seconds").filter(mine).sum()),
        )
    ]
    sums = figures.with_columns(_all=pl.lit(0)).join(told, on="machine", how="left").group_by(whole).agg(busy)
    turned = loads.with_columns(_all=pl.lit(0)).group_by(whole).agg(heard)
    rows = sums.join(turned, on=whole, how="left", nulls_equal=True)
    return rows.select(*group, *(share for name in _SPINDLES for share in _shares(name)))


def _shares(name: str) -> list[pl.Expr]:
    busy, turned = pl.col(f"_{name}_busy"), pl.col(f"_{name}_turned")
    cut = pl.when(busy.is_not_null()).then(pl.col(f"_{name}_cut").fill_null(0.0))
    return [
        cut.alias(f"{name}_cutting_s"),
        pl.when(busy > 0).then(cut / busy).alias(f"{name}_cutting_share"),
        pl.when(turned > 0).then(cut / turned).alias(f"{name}_cutting_of_turning"),
    ]

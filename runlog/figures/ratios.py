"""Ratios of a shift, each computed in one place from seconds and counts.

Names and formulas are those of ISO 22400-2 where it has them. Ratios roll up as sums over sums: sum the
columns of SHIFT_FIGURES first, then ask here. Every expression is null where it is not measured.
"""

import polars as pl


def availability() -> pl.Expr:
    """APT / PBT (ISO 22400-2, availability)."""
    return _over(pl.col("apt_s"), pl.col("pbt_s"))


def effectiveness() -> pl.Expr:
    """PRI x PQ / APT (ISO 22400-2, effectiveness); may exceed 1, never clipped. Parts made unseen left out."""
    return _over(pl.col("pri_parts_s") - pl.col("pri_unseen_s"), pl.col("apt_s"))


def quality_ratio() -> pl.Expr:
    """GQ / PQ (ISO 22400-2, quality ratio); null where quality was not measured."""
    return _over(pl.col("good_parts"), pl.col("parts"))


def oee_index() -> pl.Expr:
    """PRI x GQ / PBT = availability x effectiveness x quality ratio (ISO 22400-2, OEE index)."""
    return _over(pl.col("pri_good_s"), pl.col("pbt_s"))


def availability_x_effectiveness() -> pl.Expr:
    """PRI x PQ / PBT: what can be said of OEE while quality is not measured."""
    return _over(pl.col("pri_parts_s"), pl.col("pbt_s"))


def setup_ratio() -> pl.Expr:
    """AUST / AUPT, AUPT = setting + production (ISO 22400-2, setup ratio)."""
    return _over(pl.col("setting_s"), pl.col("setting_s") + pl.col("apt_s"))


def main_utilisation() -> pl.Expr:
    """Time the main spindle turns while EXECUTION is ACTIVE / PBT."""
    return _over(pl.col("main_turning_s"), pl.col("pbt_s"))


def sub_utilisation() -> pl.Expr:
    """Time the sub-spindle turns while EXECUTION is ACTIVE / PBT."""
    return _over(pl.col("sub_turning_s"), pl.col("pbt_s"))


def both_spindles() -> pl.Expr:
    """Time both spindles turn at once / time either turns."""
    either = pl.col("main_turning_s") + pl.col("sub_turning_s") - pl.col("both_turning_s")
    return _over(pl.col("both_turning_s"), either)


def coverage() -> pl.Expr:
    """1 - no signal / PBT: how much of the planned time the log speaks of."""
    return 1 - _over(pl.col("no_signal_s"), pl.col("pbt_s"))


def reload_faults_per_100() -> pl.Expr:
    """Reload faults per 100 rated reloads."""
    return 100 * _over(pl.col("reload_faults"), pl.col("reloads"))


RATIOS = {
    "availability": availability,
    "effectiveness": effectiveness,
    "quality_ratio": quality_ratio,
    "oee_index": oee_index,
    "availability_x_effectiveness": availability_x_effectiveness,
    "setup_ratio": setup_ratio,
    "main_utilisation": main_utilisation,
    "sub_utilisation": sub_utilisation,
    "both_spindles": both_spindles,
    "coverage": coverage,
    "reload_faults_per_100": reload_faults_per_100,
}
"""Every ratio by its column name."""

SUMMED = (
    "pbt_s", "producing_s", "reload_planned_s", "reload_overrun_s", "setting_s", "stopped_s", "minor_stops_s",
    "no_signal_s", "apt_s", "parts", "parts_unseen", "setting_parts", "reloads", "reload_faults",
    "reloads_unrated", "stops", "minor_stops", "failures", "off_plan_parts", "off_plan_s",
)  # fmt: skip
"""Columns of SHIFT_FIGURES that add up over any grouping."""

MEASURED = ("good_parts", "main_turning_s", "sub_turning_s", "both_turning_s")
"""Columns that add up only where every row was measured."""


def rolled_up(figures: pl.LazyFrame, *by: str) -> pl.LazyFrame:
    """Sum shift figures over any grouping and add every ratio.

    Parameters
    ----------
    figures : LazyFrame
        SHIFT_FIGURES.
    *by : str
        Columns to group by; none sums everything.

    Returns
    -------
    LazyFrame
        The grouping, SUMMED, MEASURED (null where a row of the group that made parts, or had time, was not
        measured), pri_parts_s, pri_good_s, pri_unseen_s (PRI times PQ, GQ, D: null without a job) and RATIOS.
    """
    made = pl.col("parts") > 0
    timed = pl.col("pbt_s") > 0
    needed = {"good_parts": made}
    measured = [
        pl.when((pl.col(name).is_not_null() | ~needed.get(name, timed)).all() & pl.col(name).is_not_null().any())
        .then(pl.col(name).sum())
        .alias(name)
        for name in MEASURED
    ]
    standard = [
        pl.when((pl.col("pri_s").is_not_null() | ~made).all()).then((pl.col("pri_s") * pl.col(count)).sum()).alias(name)
        for name, count in (("pri_parts_s", "parts"), ("pri_unseen_s", "parts_unseen"))
    ]
    good = (
        pl.when(
            (pl.col("good_parts").is_not_null() & pl.col("pri_s").is_not_null() | ~made).all()
            & pl.col("good_parts").is_not_null().any()
        )
        .then((pl.col("pri_s") * pl.col("good_parts")).sum())
        .alias("pri_good_s")
    )
    sums = [pl.col(name).sum() for name in SUMMED]
    grouped = (
        figures.group_by(*by, maintain_order=True).agg(*sums, *measured, *standard, good)
        if by
        else figures.select(*sums, *measured, *standard, good)
    )
    return grouped.with_columns(ratio().alias(name) for name, ratio in RATIOS.items())


def _over(part: pl.Expr, whole: pl.Expr) -> pl.Expr:
    return pl.when(whole > 0).then(part / whole)

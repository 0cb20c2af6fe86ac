"""Ratios of a shift or of any roll-up, each computed in one place from seconds and counts.

Names and formulas are those of ISO 22400-2 where it has them. They read the columns of `rollup.TOTALS`, all of
which add up: sum first, then ask here, never the mean of ratios. Where only a part of a roll-up was measured
(quality on three machines of five), a ratio is that of the part, and SHARES says how large the part is. Every
expression is null where nothing was measured.
"""

from collections.abc import Callable
from typing import Final

import polars as pl

# --- ISO 22400-2 ---------------------------------------------------------------------------------


def availability() -> pl.Expr:
    """APT / PBT (ISO 22400-2, availability)."""
    return _over(pl.col("apt_s"), pl.col("pbt_s"))


def effectiveness() -> pl.Expr:
    """PRI x PQ / APT (ISO 22400-2, effectiveness) where PRI is known; may exceed 1, never clipped.

    Parts made unseen are left out: they were made in no time that counts as APT.
    """
    return _over(pl.col("pri_parts_s") - pl.col("pri_unseen_s"), pl.col("standard_apt_s"))


def quality_ratio() -> pl.Expr:
    """GQ / PQ (ISO 22400-2, quality ratio) of the parts whose quality was measured."""
    return _over(pl.col("rated_good"), pl.col("rated_parts"))


def scrap_ratio() -> pl.Expr:
    """SQ / PQ (ISO 22400-2, scrap ratio), SQ = PQ - GQ: reworked parts count as good ones."""
    return 1 - quality_ratio()


def oee_index() -> pl.Expr:
    """PRI x GQ / PBT = availability x effectiveness x quality ratio (ISO 22400-2, OEE index), where both are known.

    With parts made unseen the product is smaller than this index: they count here, and not in effectiveness.
    """
    return _over(pl.col("pri_good_s"), pl.col("oee_pbt_s"))


def nee_index() -> pl.Expr:
    """AUPT / PBT x effectiveness x quality ratio (ISO 22400-2, NEE index): OEE with setting not counted as lost."""
    return _over(pl.col("setting_s") + pl.col("apt_s"), pl.col("pbt_s")) * effectiveness() * quality_ratio()


def availability_x_effectiveness() -> pl.Expr:
    """PRI x PQ / PBT: what can be said of OEE while quality is not measured."""
    return _over(pl.col("pri_parts_s"), pl.col("standard_pbt_s"))


def setup_ratio() -> pl.Expr:
    """AUST / AUPT, AUPT = setting + production (ISO 22400-2, setup ratio)."""
    return _over(pl.col("setting_s"), pl.col("setting_s") + pl.col("apt_s"))


def technical_efficiency() -> pl.Expr:
    """APT / (APT + ADET) (ISO 22400-2, technical efficiency)."""
    return _over(pl.col("apt_s"), pl.col("apt_s") + pl.col("adet_s"))


def utilization_efficiency() -> pl.Expr:
    """APT / AUBT, AUBT = setting + production + delay (ISO 22400-2, utilization efficiency)."""
    return _over(pl.col("apt_s"), _aubt())


def allocation_efficiency() -> pl.Expr:
    """AUBT / PBT (ISO 22400-2, allocation efficiency): how much of the planned time an order was on."""
    return _over(_aubt(), pl.col("pbt_s"))


def allocation_ratio(order_execution_s: pl.Expr) -> pl.Expr:
    """AUBT / AOET (ISO 22400-2, allocation ratio); AOET, with transport and queue, is in no machine's log."""
    return _over(_aubt(), order_execution_s)


def throughput_rate(order_execution_s: pl.Expr) -> pl.Expr:
    """PQ / AOET (ISO 22400-2, throughput rate). [parts/s] See `allocation_ratio` for AOET."""
    return _over(pl.col("parts"), order_execution_s)


def mttr_s() -> pl.Expr:
    """Mean stopped time of a failure, lost signal left out (ISO 22400-2, mean time to restoration). [s]

    The divisor is the number of failures; see docs/figures.md for what a failure is.
    """
    return _over(pl.col("failures_s"), pl.col("failures"))


def time_between_failures_s() -> pl.Expr:
    """(APT + setting) / failures (ISO 22400-2, mean operating time between failures: no delay in it). [s]"""
    return _over(pl.col("apt_s") + pl.col("setting_s"), pl.col("failures"))


def _aubt() -> pl.Expr:
    return pl.col("setting_s") + pl.col("apt_s") + pl.col("adet_s")


# --- spindles, signal, bar changes ---------------------------------------------------------------


def main_utilisation() -> pl.Expr:
    """Time the main spindle turns while EXECUTION is ACTIVE / PBT, of machines that tell its speed."""
    return _over(pl.col("main_turning_s"), pl.col("main_pbt_s"))


def sub_utilisation() -> pl.Expr:
    """Time the sub-spindle turns while EXECUTION is ACTIVE / PBT, of machines that tell its speed."""
    return _over(pl.col("sub_turning_s"), pl.col("sub_pbt_s"))


def both_spindles() -> pl.Expr:
    """Time both spindles turn at once / time either turns."""
    return _over(pl.col("both_turning_s"), pl.col("either_turning_s"))


def coverage() -> pl.Expr:
    """1 - no signal / PBT: how much of the planned time the log speaks of."""
    return 1 - _over(pl.col("no_signal_s"), pl.col("pbt_s"))


def reload_faults_per_100() -> pl.Expr:
    """Reload faults (retried or failed) per 100 rated reloads; empty and unclear ones are in neither."""
    return 100 * _over(pl.col("reload_faults"), pl.col("reloads"))


def reload_mean_s() -> pl.Expr:
    """Mean length of the rated reloads that brought a bar. [s]"""
    return _over(pl.col("reloads_timed_s"), pl.col("reloads_timed"))


def reload_planned_mean_s() -> pl.Expr:
    """What these reloads were planned to take, where a plan says so. [s]"""
    return _over(pl.col("reloads_timed_planned_s"), pl.col("reloads_timed_planned"))


def plan_attainment() -> pl.Expr:
    """Parts made / parts planned, of shifts that have a plan."""
    return _over(pl.col("parts_under_plan"), pl.col("planned_parts"))


RATIOS: Final[dict[str, Callable[[], pl.Expr]]] = {
    "plan_attainment": plan_attainment,
    "availability": availability,
    "effectiveness": effectiveness,
    "quality_ratio": quality_ratio,
    "scrap_ratio": scrap_ratio,
    "oee_index": oee_index,
    "nee_index": nee_index,
    "availability_x_effectiveness": availability_x_effectiveness,
    "setup_ratio": setup_ratio,
    "technical_efficiency": technical_efficiency,
    "utilization_efficiency": utilization_efficiency,
    "allocation_efficiency": allocation_efficiency,
    "mttr_s": mttr_s,
    "time_between_failures_s": time_between_failures_s,
    "main_utilisation": main_utilisation,
    "sub_utilisation": sub_utilisation,
    "both_spindles": both_spindles,
    "coverage": coverage,
    "reload_faults_per_100": reload_faults_per_100,
    "reload_mean_s": reload_mean_s,
    "reload_planned_mean_s": reload_planned_mean_s,
}
"""Every ratio by its column name."""

SHARES: Final[dict[str, tuple[str, str]]] = {
    "quality_share": ("rated_parts", "parts"),
    "standard_share": ("standard_pbt_s", "pbt_s"),
    "oee_share": ("oee_pbt_s", "pbt_s"),
    "main_share": ("main_pbt_s", "pbt_s"),
    "sub_share": ("sub_pbt_s", "pbt_s"),
    "plan_share": ("parts_under_plan", "parts"),
}
"""How large the measured part of a roll-up is: part over whole, by column name."""


def share(name: str) -> pl.Expr:
    """One of SHARES: measured part / whole."""
    part, whole = SHARES[name]
    return _over(pl.col(part), pl.col(whole))


def _over(part: pl.Expr, whole: pl.Expr) -> pl.Expr:
    return pl.when(whole > 0).then(part / whole)

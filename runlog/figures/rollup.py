"""Shift figures summed over any grouping: sums first, ratios after.

    totals(figures, plans)                 every column one that adds up (TOTALS)
    summed(rows, "machine", "week")        any grouping, also of what was summed before
    with_ratios(rows)                      every ratio and measured share of `figures.ratios`
    rolled_up(figures, "machine")          all three

What was not measured everywhere is kept as two sums, of the value where it was measured and of the time or parts it
was measured in. So a roll-up of roll-ups is the roll-up, in any order.
"""

from typing import Final

import polars as pl

from runlog.figures.groups import SHIFT
from runlog.figures.ratios import RATIOS, SHARES, share

KEY: Final = ("machine", "shift_date", "shift", "job")

SUMMED: Final = (
    "pbt_s", "producing_s", "reload_planned_s", "reload_overrun_s", "setting_s", "stopped_s", "minor_stops_s",
    "no_signal_s", "adet_s", "apt_s", "parts", "parts_unseen", "setting_parts", "reloads", "reload_faults",
    "reloads_unrated", "reloads_timed", "reloads_timed_s", "stops", "minor_stops", "failures", "failures_s",
    "off_plan_parts", "off_plan_s",
)  # fmt: skip
"""Columns of SHIFT_FIGURES that add up as they are."""

PLANNED: Final = {
    "planned_parts": "parts planned, not floored; in a shift still running, up to the end of the log",
    "planned_time_s": "their standard time, PRI x planned parts [s]",
    "parts_under_plan": "parts made in shifts that have a plan",
    "shifts": "machine shifts",
    "shifts_planned": "machine shifts that have a plan",
}
"""What `totals` adds from SHIFT_PLANS."""

_KNOWN: Final = pl.col("pri_s").is_not_null()
_RATED: Final = pl.col("good_parts").is_not_null()
# A row without parts hides none whose standard time is not known.
_STANDARD: Final = _KNOWN | (pl.col("parts") == 0)


def _where(condition: pl.Expr, value: str | pl.Expr) -> pl.Expr:
    held = pl.col(value) if isinstance(value, str) else value
    return pl.when(condition).then(held.fill_null(0)).otherwise(0)


_main, _sub, _both = (pl.col(f"{name}_turning_s").is_not_null() for name in ("main", "sub", "both"))

PARTIAL: Final[dict[str, pl.Expr]] = {
    "rated_rows": _RATED.cast(pl.Int64),
    "rated_parts": _where(_RATED, "parts"),
    "rated_good": _where(_RATED, "good_parts"),
    "standard_parts": _where(_KNOWN, "parts"),
    "standard_apt_s": _where(_STANDARD, "apt_s"),
    "standard_pbt_s": _where(_STANDARD, "pbt_s"),
    "pri_parts_s": _where(_KNOWN, pl.col("pri_s") * pl.col("parts")),
    "pri_unseen_s": _where(_KNOWN, pl.col("pri_s") * pl.col("parts_unseen")),
    "oee_pbt_s": _where(_RATED & _STANDARD, "pbt_s"),
    "pri_good_s": _where(_RATED & _STANDARD, pl.col("pri_s") * pl.col("good_parts")),
    "main_turning_s": _where(_main, "main_turning_s"),
    "main_pbt_s": _where(_main, "pbt_s"),
    "sub_turning_s": _where(_sub, "sub_turning_s"),
    "sub_pbt_s": _where(_sub, "pbt_s"),
    "both_turning_s": _where(_both, "both_turning_s"),
    "either_turning_s": _where(_both, pl.col("main_turning_s") + pl.col("sub_turning_s") - pl.col("both_turning_s")),
    "reloads_timed_planned": _where(pl.col("reloads_timed_planned_s").is_not_null(), "reloads_timed"),
    "reloads_timed_planned_s": pl.col("reloads_timed_planned_s").fill_null(0.0),
}
"""Sums over the rows in which a thing was measured, and of what it was measured in."""

TOTALS: Final = (*SUMMED, *PARTIAL, *PLANNED)
"""Columns of `totals`: each adds up over any grouping."""


def totals(figures: pl.LazyFrame, plans: pl.LazyFrame | None = None) -> pl.LazyFrame:
    """Shift figures as sums.

    Parameters
    ----------
    figures : LazyFrame
        SHIFT_FIGURES; further columns (groups) are kept.
    plans : LazyFrame, optional
        SHIFT_PLANS with the same further columns; a plan is a row of its own, under the job at the shift's start.
        Without, nothing is planned.

    Returns
    -------
    LazyFrame
        Every column that is not in SHIFT_FIGURES' numbers, then TOTALS.
    """
    names = figures.collect_schema().names()
    numbers = {*SUMMED, *PARTIAL, "pri_s", "good_parts"}
    kept = [name for name in names if name not in numbers]
    nothing_planned = [pl.lit(0.0 if name.endswith(("_s", "_parts")) else 0).alias(name) for name in PLANNED]
    rows = figures.select(*kept, *SUMMED, *(expr.alias(name) for name, expr in PARTIAL.items()), *nothing_planned)
    if plans is None:
        return rows
    return pl.concat([rows, _plan_rows(figures, plans)], how="diagonal_relaxed").with_columns(
        pl.col(TOTALS).fill_null(0)
    )


def _plan_rows(figures: pl.LazyFrame, plans: pl.LazyFrame) -> pl.LazyFrame:
    seen = figures.group_by(SHIFT).agg(pbt_seen_s=pl.col("pbt_s").sum(), parts_made=pl.col("parts").sum())
    so_far = so_far_parts(pl.col("pbt_seen_s"))
    has_plan = pl.col("planned_parts").is_not_null()
    return (
        plans.join(seen, on=SHIFT, how="inner")
        .with_columns(
            planned_parts=so_far.fill_null(0.0),
            planned_time_s=(so_far * pl.col("standard_time_s")).fill_null(0.0),
            parts_under_plan=_where(has_plan, "parts_made"),
            shifts=pl.lit(1),
            shifts_planned=has_plan.cast(pl.Int32),
        )
        .drop(
            "pbt_seen_s", "parts_made", "pbt_s", "standard_time_s", "parts_per_bar", "bars", "bars_basis", "bars_held",
            "parts_left", "order_left", "limit", "run_out_at", strict=False,
        )
    )  # fmt: skip


def so_far_parts(seen_s: pl.Expr) -> pl.Expr:
    """Planned parts of SHIFT_PLANS, of a shift still running only as many as its standard time has passed for.

    Parameters
    ----------
    seen_s : Expr
        Planned busy time that the log reaches to. [s]
    """
    running = seen_s < pl.col("pbt_s") - 1e-3
    by_now = pl.min_horizontal("planned_parts", seen_s / pl.col("standard_time_s"))
    return pl.when(pl.col("planned_parts").is_null()).then(None).when(running).then(by_now).otherwise("planned_parts")


def summed(rows: pl.LazyFrame, *by: str) -> pl.LazyFrame:
    """Sum TOTALS over a grouping; without one, over everything."""
    sums = [pl.col(name).sum() for name in TOTALS]
    return rows.group_by(*by, maintain_order=True).agg(*sums) if by else rows.select(*sums)


def with_ratios(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Add every ratio and measured share to TOTALS, and tell what was not measured throughout as null.

    Returns
    -------
    LazyFrame
        good_parts (null unless the quality of all parts was measured), the turning seconds null where no spindle
        speed was told, pri_parts_s, pri_good_s and pri_unseen_s null unless known of all parts, planned_parts
        null without any plan, then RATIOS and SHARES.
    """
    asked = rows.with_columns(
        *(ratio().alias(name) for name, ratio in RATIOS.items()), *(share(name).alias(name) for name in SHARES)
    )
    all_rated = (pl.col("rated_rows") > 0) & (pl.col("rated_parts") == pl.col("parts"))
    all_standard = pl.col("standard_parts") == pl.col("parts")
    either = pl.col("main_pbt_s") > 0, pl.col("sub_pbt_s") > 0
    return asked.with_columns(
        pl.when(all_standard).then("pri_parts_s").alias("pri_parts_s"),
        pl.when(all_standard).then("pri_unseen_s").alias("pri_unseen_s"),
        pl.when(all_standard & all_rated).then("pri_good_s").alias("pri_good_s"),
        pl.when(either[0]).then("main_turning_s").alias("main_turning_s"),
        pl.when(either[1]).then("sub_turning_s").alias("sub_turning_s"),
        pl.when(either[0] & either[1]).then("both_turning_s").alias("both_turning_s"),
        pl.when(pl.col("shifts_planned") > 0).then("planned_parts").alias("planned_parts"),
        good_parts=pl.when(all_rated).then("rated_good"),
    )


def rolled_up(figures: pl.LazyFrame, *by: str, plans: pl.LazyFrame | None = None) -> pl.LazyFrame:
    """Sum shift figures over any grouping and add every ratio: see `totals`, `summed`, `with_ratios`."""
    return with_ratios(summed(totals(figures, plans), *by))

"""Every figure of any roll-up in one row: seconds, counts, plan, ratios, bar changes, remnant, and what to doubt.

table = shift_table(facts, site, period, by=("machine",))
"""

from typing import Final

import polars as pl

from runlog.figures.cutting import cutting
from runlog.figures.groups import columns_of, in_shifts, with_groups
from runlog.figures.period import Period, in_period
from runlog.figures.rollup import rolled_up
from runlog.figures.stock import bar_account, bar_rows
from runlog.figures.window import Facts
from runlog.schema import BROUGHT_OUTCOMES
from runlog.site import Site

P95: Final = 0.95


def shift_table(facts: Facts, site: Site, period: Period, by: tuple[str, ...]) -> pl.DataFrame:
    """Figures of a period, rolled up: `shift_rows` at once."""
    return shift_rows(facts, site, period, by).collect()


def shift_rows(facts: Facts, site: Site, period: Period, by: tuple[str, ...]) -> pl.LazyFrame:
    """Figures of a period, rolled up.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    period : Period
    by : tuple of str
        Some of GROUPS.

    Returns
    -------
    LazyFrame
        One row a group, in order: the grouping's columns, `rollup.TOTALS`, RATIOS and SHARES, good_parts, then
        reload_p95_s (95th percentile of the rated reloads that brought a bar [s]), bars, remnant_mm, remnant_kg,
        remnant_cost, remnant_share, planned_remnant_mm, the columns of `cutting.cutting`, thin_shifts (machine shifts
        whose coverage is below the machine's `coverage_flag`) and doubted_standards (shift and job of a machine whose
        PRI x PQ exceeds APT by more than one PRI and one planned reload: the standard time is wrong; less is the part
        or bar in work).
    """
    group = columns_of(by)
    figures = in_period(with_groups(facts["shift_figures"], site), period)
    plans = in_period(with_groups(facts["shift_plans"], site), period)
    rows = rolled_up(figures, *group, plans=plans)
    bars = bar_account(in_period(bar_rows(facts, site), period), by)
    kept = ["bars", "remnant_mm", "remnant_kg", "remnant_cost", "remnant_share", "planned_remnant_mm"]
    asides = [
        _reload_tail(facts, site, period, group),
        bars.select(*group, *kept),
        _doubts(figures, site, group),
        cutting(facts, site, period, group),
    ]
    for aside in asides:
        rows = rows.join(aside, on=group, how="left", nulls_equal=True) if group else rows.join(aside, how="cross")
    return rows.with_columns(pl.col("thin_shifts", "doubted_standards", "bars").fill_null(0)).sort(group or "pbt_s")


def _reload_tail(facts: Facts, site: Site, period: Period, group: list[str]) -> pl.LazyFrame:
    timed = facts["reloads"].filter(~pl.col("hand_load") & pl.col("outcome").is_in(BROUGHT_OUTCOMES))
    placed = in_period(with_groups(in_shifts(timed, facts["shift_plans"], at="start"), site), period)
    # A percentile of few values by linear interpolation between the two nearest (Hyndman and Fan 1996, type 7).
    tail = pl.col("duration_s").quantile(P95, "linear").alias("reload_p95_s")
    return placed.group_by(group).agg(tail) if group else placed.select(tail)


def _doubts(figures: pl.LazyFrame, site: Site, group: list[str]) -> pl.LazyFrame:
    limits = pl.LazyFrame(
        [(one.name, site.limits(one.name).coverage_flag) for one in site.machines],
        schema={"machine": pl.String(), "coverage_flag": pl.Float64()},
        orient="row",
    )
    reload_s = pl.LazyFrame(
        [(one.name, job.name, site.planned_reload_s(one.name, job)) for one in site.machines for job in site.jobs],
        schema={"machine": pl.String(), "job": pl.String(), "planned_reload_s": pl.Float64()},
        orient="row",
    )
    of_shift = [pl.col(name).sum().over("machine", "shift_date", "shift") for name in ("no_signal_s", "pbt_s")]
    thin = 1 - of_shift[0] / of_shift[1] < pl.col("coverage_flag")
    made_s = pl.col("pri_s") * (pl.col("parts") - pl.col("parts_unseen"))
    in_work_s = pl.col("pri_s") + pl.col("planned_reload_s").fill_null(0.0)
    shift = pl.struct("machine", "shift_date", "shift")
    counts = [
        shift.filter(pl.col("thin")).n_unique().alias("thin_shifts"),
        (made_s - pl.col("apt_s") > in_work_s).sum().alias("doubted_standards"),
    ]
    rows = (
        figures.join(limits, on="machine", how="left")
        .join(reload_s, on=["machine", "job"], how="left")
        .with_columns(pl.col("coverage_flag").fill_null(0.95))
        .with_columns(thin=thin & (of_shift[1] > 0))
    )
    return rows.group_by(group).agg(counts) if group else rows.select(counts)

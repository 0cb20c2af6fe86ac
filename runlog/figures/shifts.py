"""Every figure of any roll-up in one row: seconds, counts, plan, ratios, bar changes, remnant, and what to doubt.

table = shift_table(facts, site, period, by=("machine",))
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from runlog.figures.cutting import cutting, held_loads, idle_thresholds
from runlog.figures.groups import columns_of, in_shifts, with_groups
from runlog.figures.period import Period, in_period
from runlog.figures.rollup import summed, totals, with_ratios
from runlog.figures.stock import bar_account, bar_rows
from runlog.figures.window import Facts
from runlog.schema import BROUGHT_OUTCOMES
from runlog.site import Site

P95: Final = 0.95


def shift_table(facts: Facts, site: Site, period: Period, by: tuple[str, ...]) -> pl.DataFrame:
    """Figures of a period, rolled up: `shift_tables` of one grouping."""
    return shift_tables(facts, site, period, [by])[0]


def shift_tables(
    facts: Facts,
    site: Site,
    period: Period,
    groupings: Sequence[tuple[str, ...]],
    *,
    thresholds: pl.DataFrame | None = None,
    bars: pl.DataFrame | None = None,
) -> list[pl.DataFrame]:
    """Figures of a period, rolled up in several ways.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    period : Period
    groupings : sequence of tuple of str
        Some of GROUPS each.
    thresholds : DataFrame, optional
        `cutting.idle_thresholds`, where they are known already.
    bars : DataFrame, optional
        `stock.bar_rows` of the period, where they are known already.

    Returns
    -------
    list of DataFrame
        One row a group, in order: the grouping's columns, `rollup.TOTALS`, RATIOS and SHARES, good_parts, then
        reload_p95_s (95th percentile of the rated reloads that brought a bar [s]), bars, remnant_mm, remnant_kg,
        remnant_cost, remnant_share, planned_remnant_mm, the columns of `cutting.cutting`, thin_shifts (machine shifts
        whose coverage is below the machine's `coverage_flag`) and doubted_standards (shift and job of a machine whose
        PRI x PQ exceeds APT by more than one PRI and one planned reload: the standard time is wrong; less is the part
        or bar in work).
    """
    known = idle_thresholds(facts["shift_loads"]).collect() if thresholds is None else thresholds
    ended = in_period(bar_rows(facts, site), period) if bars is None else bars.lazy()
    held = _held(facts, site, period, known.lazy(), ended)
    return pl.collect_all([_rolled(held, columns_of(by), by) for by in groupings])


@dataclass(frozen=True)
class _Held:
    """What every grouping is made of, in memory: rows of the period with all groups.

    Attributes
    ----------
    figures : LazyFrame
        SHIFT_FIGURES with what `_doubts` counts.
    sums : LazyFrame
        `rollup.totals`.
    reloads, bars, loads, thresholds : LazyFrame
        Rated reloads that brought a bar, `stock.bar_rows`, `cutting.held_loads`, `cutting.idle_thresholds`.
    """

    figures: pl.LazyFrame
    sums: pl.LazyFrame
    reloads: pl.LazyFrame
    bars: pl.LazyFrame
    loads: pl.LazyFrame
    thresholds: pl.LazyFrame


def _held(facts: Facts, site: Site, period: Period, thresholds: pl.LazyFrame, bars: pl.LazyFrame) -> _Held:
    figures, plans = (in_period(with_groups(facts[name], site), period) for name in ("shift_figures", "shift_plans"))
    timed = facts["reloads"].filter(~pl.col("hand_load") & pl.col("outcome").is_in(BROUGHT_OUTCOMES))
    reloads = in_period(with_groups(in_shifts(timed, facts["shift_plans"], at="start"), site), period)
    loads = held_loads(facts, site, period, thresholds)
    frames = [_doubted(figures, site), totals(figures, plans), reloads, bars, loads]
    figures, sums, reloads, bars, loads = (one.lazy() for one in pl.collect_all(frames))
    return _Held(figures, sums, reloads, bars, loads, thresholds)


def _rolled(held: _Held, group: list[str], by: tuple[str, ...]) -> pl.LazyFrame:
    rows = with_ratios(summed(held.sums, *group))
    kept = ["bars", "remnant_mm", "remnant_kg", "remnant_cost", "remnant_share", "planned_remnant_mm"]
    asides = [
        _reload_tail(held.reloads, group),
        bar_account(held.bars, by).select(*group, *kept),
        _doubts(held.figures, group),
        cutting(held.figures, held.loads, held.thresholds, group),
    ]
    for aside in asides:
        rows = rows.join(aside, on=group, how="left", nulls_equal=True) if group else rows.join(aside, how="cross")
    return rows.with_columns(pl.col("thin_shifts", "doubted_standards", "bars").fill_null(0)).sort(group or "pbt_s")


def _reload_tail(timed: pl.LazyFrame, group: list[str]) -> pl.LazyFrame:
    # A percentile of few values by linear interpolation between the two nearest (Hyndman and Fan 1996, type 7).
    tail = pl.col("duration_s").quantile(P95, "linear").alias("reload_p95_s")
    return timed.group_by(group).agg(tail) if group else timed.select(tail)


def _doubted(figures: pl.LazyFrame, site: Site) -> pl.LazyFrame:
    """Shift figures with `thin` and `doubted`: what is to be doubted of each."""
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
    return (
        figures.join(limits, on="machine", how="left")
        .join(reload_s, on=["machine", "job"], how="left")
        .with_columns(pl.col("coverage_flag").fill_null(0.95))
        .with_columns(thin=thin & (of_shift[1] > 0), doubted=made_s - pl.col("apt_s") > in_work_s)
    )


def _doubts(figures: pl.LazyFrame, group: list[str]) -> pl.LazyFrame:
    counts = [
        pl.struct("machine", "shift_date", "shift").filter(pl.col("thin")).n_unique().alias("thin_shifts"),
        pl.col("doubted").sum().alias("doubted_standards"),
    ]
    return figures.group_by(group).agg(counts) if group else figures.select(counts)

"""Changeovers of a period: how long they took, how much of it was waiting, compared by what changed.

A changeover lasts from the last good part of one job to the first good part of the next. Waiting is what lies before
the first sign of somebody at work, working the rest. One belongs to the shift in which it began.

Beside it stands the planned time to set the feeder up. A log does not tell all of what was exchanged, so that time has
two ends: the least is for what is known to have changed (the bar's size by the jobs, pusher and liner by setup notes),
the most for all steps of the plan wherever the bar's size changed. Where nothing is known to have changed, nothing was
planned.
"""

from typing import Final

import polars as pl

from runlog.figures.groups import columns_of, in_shifts, with_groups
from runlog.figures.window import Facts
from runlog.plan.batches import WORDS, changeovers
from runlog.site import Site

LISTED: Final = 10
"""So many changeovers are listed one by one."""
_NOTED: Final = ("pusher", "liner")


def changeover_rows(facts: Facts, site: Site) -> pl.LazyFrame:
    """Changeovers of all machines, with their shift, groups and plan.

    Returns
    -------
    LazyFrame
        CHANGEOVERS; shift_date, shift and the columns of GROUPS (`job` is the job that was set); total_s, the whole
        length; setup, what is known to have changed on the feeder, in the words of `plan.batches`; planned_least_s and
        planned_most_s, planned time to set the feeder up for that, and with all that may have changed (all three null
        where nothing is known to have changed). [s]
    """
    rows = in_shifts(facts["changeovers"], facts["shift_plans"], at="start")
    with_total = with_groups(rows, site).with_columns(job="to_job", total_s=pl.col("waiting_s") + pl.col("working_s"))
    return _with_plan(_with_notes(with_total, facts["reloads"]), site)


def _with_notes(rows: pl.LazyFrame, reloads: pl.LazyFrame) -> pl.LazyFrame:
    """Add pusher and liner, and old_pusher and old_liner: as noted for the next bar change of the new job, and for the
    last one of the old; null where that bar change was of another job, or nothing was noted.
    """
    bars = reloads.select("machine", "start", "job", *_NOTED).sort("machine", "start")
    old = bars.rename({name: f"old_{name}" for name in ("start", "job", *_NOTED)})
    new = bars.rename({"start": "new_start", "job": "new_job"})
    joined = (
        rows.sort("machine", "start")
        .join_asof(old, left_on="start", right_on="old_start", by="machine", check_sortedness=False)
        .join_asof(new, left_on="end", right_on="new_start", by="machine", strategy="forward", check_sortedness=False)
    )
    return joined.with_columns(
        *(pl.when(pl.col("new_job") == pl.col("to_job")).then(name).alias(name) for name in _NOTED),
        *(pl.when(pl.col("old_job") == pl.col("from_job")).then(f"old_{name}").alias(f"old_{name}") for name in _NOTED),
    ).drop("old_start", "old_job", "new_start", "new_job")


def _with_plan(rows: pl.LazyFrame, site: Site) -> pl.LazyFrame:
    """Add setup, planned_least_s, planned_most_s to rows with notes, in the place of the notes."""
    planned_s = dict(changeovers(site).iter_rows())
    differing = pl.col("what_changed").str.split(", ")
    size = differing.list.contains("diameter") | differing.list.contains("section")
    least = (
        pl.when(pl.col("liner") != pl.col("old_liner"))
        .then(pl.lit(WORDS["liner_s"]))
        .when(pl.col("pusher") != pl.col("old_pusher"))
        .then(pl.lit(WORDS["pusher_s"]))
        .when(size)
        .then(pl.lit(WORDS["size_s"]))
    )
    most = pl.when(size).then(pl.lit(WORDS["collet_s"])).otherwise(least)
    return rows.with_columns(
        setup=least,
        planned_least_s=least.replace_strict(planned_s, default=None, return_dtype=pl.Float64),
        planned_most_s=most.replace_strict(planned_s, default=None, return_dtype=pl.Float64),
    ).drop(*_NOTED, *(f"old_{name}" for name in _NOTED))


def longest_work(rows: pl.LazyFrame) -> pl.LazyFrame:
    """The changeovers that were worked on longest, LISTED at most."""
    return rows.sort("working_s", "machine", "start", descending=[True, False, False]).head(LISTED)


def compared(rows: pl.LazyFrame, by: tuple[str, ...] = ()) -> pl.LazyFrame:
    """Changeovers of a grouping, by what changed.

    Returns
    -------
    LazyFrame
        The grouping's columns, what_changed, changeovers, total_s, waiting_s, working_s, waiting_share (sums over
        sums), mean_s, median_s, shortest_s, longest_s; planned_changeovers, those with a plan for the feeder, and of
        them working_s, least and most planned time as planned_working_s, planned_least_s, planned_most_s (null where
        none has a plan); the costliest kind of each group first.
    """
    group = columns_of(by)
    total = pl.col("total_s")
    has_plan = pl.col("planned_least_s").is_not_null()
    return (
        rows.group_by(*group, "what_changed")
        .agg(
            changeovers=pl.len(),
            total_s=total.sum(),
            waiting_s=pl.col("waiting_s").sum(),
            working_s=pl.col("working_s").sum(),
            median_s=total.median(),
            shortest_s=total.min(),
            longest_s=total.max(),
            planned_changeovers=has_plan.sum(),
            planned_working_s=_sum_of("working_s", has_plan),
            planned_least_s=_sum_of("planned_least_s", has_plan),
            planned_most_s=_sum_of("planned_most_s", has_plan),
        )
        .with_columns(
            mean_s=pl.col("total_s") / pl.col("changeovers"),
            waiting_share=pl.when(pl.col("total_s") > 0).then(pl.col("waiting_s") / pl.col("total_s")),
        )
        .sort(*group, "total_s", "what_changed", descending=[*[False] * len(group), True, False])
        .select(
            *group, "what_changed", "changeovers", "total_s", "waiting_s", "working_s", "waiting_share", "mean_s",
            "median_s", "shortest_s", "longest_s", "planned_changeovers", "planned_working_s", "planned_least_s",
            "planned_most_s",
        )
    )  # fmt: skip


def _sum_of(column: str, which: pl.Expr) -> pl.Expr:
    """Sum over some of a group's rows; null where there are none."""
    return pl.when(which.any()).then(pl.col(column).filter(which).sum())

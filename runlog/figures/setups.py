"""Changeovers of a period: how long they took, how much of it was waiting, compared by what changed.

A changeover lasts from the last good part of one job to the first good part of the next. Waiting is what lies before
the first sign of somebody at work, working the rest. One belongs to the shift in which it began.
"""

import polars as pl

from runlog.figures.groups import columns_of, in_shifts, with_groups
from runlog.figures.window import Facts
from runlog.site import Site


def changeover_rows(facts: Facts, site: Site) -> pl.LazyFrame:
    """CHANGEOVERS in their shift, with groups; `job` is the job that was set, total_s the whole length. [s]"""
    rows = in_shifts(facts["changeovers"], facts["shift_plans"], at="start")
    return with_groups(rows, site).with_columns(job="to_job", total_s=pl.col("waiting_s") + pl.col("working_s"))


def compared(rows: pl.LazyFrame, by: tuple[str, ...] = ()) -> pl.LazyFrame:
    """Changeovers of a grouping, by what changed.

    Returns
    -------
    LazyFrame
        The grouping's columns, what_changed, changeovers, total_s, waiting_s, working_s, waiting_share (sums over
        sums), median_s, shortest_s, longest_s; the costliest kind of each group first.
    """
    group = columns_of(by)
    total = pl.col("total_s")
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
        )
        .with_columns(
            mean_s=pl.col("total_s") / pl.col("changeovers"),
            waiting_share=pl.when(pl.col("total_s") > 0).then(pl.col("waiting_s") / pl.col("total_s")),
        )
        .sort(*group, "total_s", "what_changed", descending=[*[False] * len(group), True, False])
        .select(
            *group, "what_changed", "changeovers", "total_s", "waiting_s", "working_s", "waiting_share", "mean_s",
            "median_s", "shortest_s", "longest_s",
        )
    )  # fmt: skip

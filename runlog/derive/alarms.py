"""Conditions as activations: when each came up and cleared, and what cause the site's rules give it.

Several conditions of one item may be active at once. A NORMAL with a code clears that one, a NORMAL
without clears all of its item, UNAVAILABLE drops all; what comes back after UNAVAILABLE without having
cleared is *restated*: the same activation, and no news.
"""

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import BY
from runlog.schema import CAUSE_GROUPS
from runlog.site import Site

OTHER_ALARM = "other alarm"
ACTIVE_LEVELS = ("WARNING", "FAULT")


def alarms(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Activations of conditions.

    Returns
    -------
    LazyFrame
        ALARMS columns but stop and first_out, plus seq (of its start), fault_start and fault_seq (when it
        first reached FAULT; null if it never did) and feeder (a feeder alarm: by component or by cause).
    """
    ended = endings(conditions(observed))
    fault = pl.col("level") == "FAULT"
    key = (BY, "data_item", "id")
    activations = ended.group_by(*key, "end_seq", maintain_order=True).agg(
        start=pl.col("at").first(),
        seq=pl.col("seq").first(),
        fault_start=pl.col("at").filter(fault).first(),
        fault_seq=pl.col("seq").filter(fault).first(),
        end=pl.col("end").first(),
        lost=pl.col("lost").first(),
        level=pl.when(fault.any()).then(pl.lit("FAULT")).otherwise(pl.lit("WARNING")),
        component=pl.col("component").first(),
        type=pl.col("type").first(),
        code=pl.col("code").filter(pl.col("code") != "").first(),
        text=pl.coalesce(pl.col("message").filter(pl.col("message") != "").first(), pl.col("message").first()),
    )
    return (
        activations.sort("seq")
        .with_columns(restated=pl.col("lost").shift(1).over(key).fill_null(False))
        .with_columns(cause=cause_expr(ctx.site))
        .with_columns(feeder=(pl.col("component") == "feeder") | in_group(ctx.site, "bar supply"))
    )


def conditions(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Conditions among some rows, with `id` (what tells activations of one item apart) and `level`."""
    return rows.filter(pl.col("item") == "CONDITION").with_columns(
        id=pl.coalesce("condition_id", "code", pl.lit("")), level=pl.coalesce("level", "text")
    )


def endings(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Rows of active conditions with the row that ends each.

    Parameters
    ----------
    rows : LazyFrame
        From `conditions`, with seq.

    Returns
    -------
    LazyFrame
        The active ones of the rows, with end_seq and end (null while active), and lost (UNAVAILABLE ended it).
    """
    active = rows.filter(pl.col("level").is_in(ACTIVE_LEVELS)).sort("seq")
    normal = pl.col("level") == "NORMAL"
    clears_all = rows.filter((normal & (pl.col("id") == "")) | (pl.col("level") == "UNAVAILABLE"))
    clears_one = rows.filter(normal & (pl.col("id") != ""))
    ended = _next(_next(active, clears_one, "one", with_id=True), clears_all, "all", with_id=False)
    end_seq = pl.min_horizontal("one_seq", "all_seq")
    by_all = pl.col("all_seq") == end_seq
    return ended.with_columns(
        end_seq=end_seq,
        end=pl.when(by_all).then("all_at").otherwise("one_at"),
        lost=(by_all & (pl.col("all_level") == "UNAVAILABLE")).fill_null(False),
    )


def _next(left: pl.LazyFrame, right: pl.LazyFrame, name: str, *, with_id: bool) -> pl.LazyFrame:
    by = [BY, "data_item", *(["id"] if with_id else [])]
    coming = right.select(
        *by,
        pl.col("seq").alias(f"{name}_seq"),
        pl.col("at").alias(f"{name}_at"),
        pl.col("level").alias(f"{name}_level"),
    ).sort(f"{name}_seq")
    return left.sort("seq").join_asof(
        coming,
        left_on="seq",
        right_on=f"{name}_seq",
        by=by,
        strategy="forward",
        check_sortedness=False,
        coalesce=False,
    )


def cause_expr(site: Site) -> pl.Expr:
    """Cause of an alarm: the first rule that names its code or matches its words, else `other alarm`."""
    return rule_expr(site).fill_null(OTHER_ALARM)


def rule_expr(site: Site) -> pl.Expr:
    """Cause by the first rule that names an alarm's `code` or matches its `text`; null where none does."""
    chosen = pl.lit(None, pl.String())
    for rule in reversed(site.cause):
        fits = pl.col("code").is_in(rule.codes) if rule.codes else pl.lit(False)
        if rule.text is not None:
            fits = fits | pl.col("text").str.contains(rule.text)
        chosen = pl.when(fits.fill_null(False)).then(pl.lit(rule.cause)).otherwise(chosen)
    return chosen


def in_group(site: Site, group: str) -> pl.Expr:
    """The `cause` column names a cause of this group."""
    return pl.col("cause").is_in([cause for cause in site.cause_groups if site.cause_group(cause) == group])


def group_expr(site: Site) -> pl.Expr:
    """Group of the `cause` column."""
    return pl.col("cause").replace_strict(
        site.cause_groups, default=CAUSE_GROUPS["unexplained"], return_dtype=pl.String()
    )

"""What speaks of a bar change: attempts, completions, failures, in the order of trust of docs/rules.md.

evidence(observed, ctx)     MATERIAL_CHANGE / MATERIAL_LOAD, END_OF_BAR, a length or a countdown that jumps up
with_jumps(observed, ctx)   which numbers rose as the rest of a bar does when a new one comes in
"""

from typing import Final

import polars as pl

from runlog.derive.context import Context
from runlog.derive.earlier import JUMPS, RELOADS_BY, SERVES, marked
from runlog.derive.frames import BY

HALF_BAR_MM: Final = 300.0
"""Half a bar where no job tells its length. [mm] Common practice: short-magazine bars are 1.0-1.6 m."""
MOMENT: Final = (BY, "at", "seq")
TRUSTS: Final = (1, 2, 3, 5)
"""Places of evidence in the order of trust."""
_SURE: Final = 2
_ANSWER: Final = "RESPONSE"


def evidence(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """All reload evidence: machine, at, seq, told (attempt, completed, failed), by (evidence), trust."""
    told = _all_told(observed, ctx)
    before = [ctx.earlier.ever(f"{RELOADS_BY}{trust}").with_columns(before=pl.lit(trust)) for trust in TRUSTS]
    best = pl.min_horizontal(pl.col("trust").min().over(BY), "before")
    return (
        told.join(pl.concat(before).group_by(BY).agg(pl.col("before").min()), on=BY, how="left")
        .filter((pl.col("trust") <= _SURE) | (pl.col("trust") == best))
        .drop("before")
        .sort("seq")
    )


def marks(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """What decides which evidence counts, by when it was told first (MARKS)."""
    told = _all_told(observed, ctx)
    answers = _changes(observed).filter(pl.col("sub_type") == _ANSWER)
    jumps = _jumps(observed, ctx).filter(pl.col("item") == "LENGTH")
    by_trust = [marked(told.filter(pl.col("trust") == trust), f"{RELOADS_BY}{trust}") for trust in TRUSTS]
    return pl.concat([marked(answers, SERVES), marked(jumps, JUMPS), *by_trust])


def _all_told(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    change = _interface(observed, ctx)
    bar_end = observed.filter(
        (pl.col("item") == "END_OF_BAR") & pl.col("sub_type").is_in(["PRIMARY", ""]) & pl.col("changed")
    )
    words = {"ACTIVE": "attempt", "COMPLETE": "completed", "FAIL": "failed"}
    ends = {"YES": "attempt", "NO": "completed"}
    jumps = _jumps(observed, ctx)
    return pl.concat(
        [
            _told(change, words, pl.col("item"), 1),
            _told(
                bar_end.filter((pl.col("text") == "YES") | pl.col("previous").is_not_null()),
                ends,
                pl.lit("END_OF_BAR"),
                2,
            ),
            _told(jumps.filter(pl.col("item") == "LENGTH"), None, pl.lit("LENGTH"), 3),
            _told(jumps.filter(pl.col("item") == "PART_COUNT"), None, pl.lit("REMAINING"), 5),
        ]
    )


def _interface(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    serving = pl.col("sub_type") == _ANSWER
    before = ctx.earlier.ever(SERVES).unique().with_columns(served=pl.lit(True))
    return (
        _changes(observed)
        .join(before, on=BY, how="left", maintain_order="left")
        .filter(serving == (serving.any().over(BY) | pl.col("served").fill_null(False)))
        .drop("served")
    )


def _changes(observed: pl.LazyFrame) -> pl.LazyFrame:
    return observed.filter(pl.col("item").is_in(["MATERIAL_CHANGE", "MATERIAL_LOAD"]) & pl.col("changed"))


def _told(rows: pl.LazyFrame, words: dict[str, str] | None, by: pl.Expr, trust: int) -> pl.LazyFrame:
    """Rows as evidence; without words each row is an attempt and its completion at once."""
    if words is None:
        told = pl.lit(["attempt", "completed"], pl.List(pl.String()))
        return rows.select(*MOMENT, told=told, by=by, trust=pl.lit(trust)).explode("told")
    known = rows.filter(pl.col("text").is_in(list(words)))
    return known.select(
        *MOMENT,
        told=pl.col("text").replace_strict(words, return_dtype=pl.String()),
        by=by,
        trust=pl.lit(trust),
    )


def with_jumps(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """Add `jumped`: a number that rose by more than half a bar, as the rest of a bar does when a new one comes in."""
    half_bar = ctx.plans.group_by(BY).agg(half_bar=pl.col("bar_mm").max() / 2)
    rose = pl.col("step") > pl.col("half_bar").fill_null(HALF_BAR_MM)
    return (
        observed.join(half_bar, on=BY, how="left", maintain_order="left")
        .with_columns(jumped=(rose & ~pl.col("head")).fill_null(False))
        .drop("half_bar")
    )


def _jumps(observed: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    length = (pl.col("item") == "LENGTH") & pl.col("jumped")
    countdown = (pl.col("item") == "PART_COUNT") & (pl.col("component") == "feeder") & (pl.col("step") > 0)
    rows = observed.filter((pl.col("sub_type") == "REMAINING") & ~pl.col("head"))
    return with_jumps(rows, ctx).filter(length | countdown)

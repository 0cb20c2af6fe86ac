"""What stands before the news, and what of it derivation is told where it begins in the middle.

Before                         facts as they stand, and what is new
earlier(before, found, site)   what is known of the time before each cut, as `earlier.Earlier`
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import polars as pl

from runlog import calendar
from runlog.derive.earlier import FIRST, HORIZON, MADE, Earlier
from runlog.derive.frames import BY
from runlog.derive.hung import PARTS_BACK
from runlog.schema import BROUGHT_OUTCOMES, INSTANT, MARKS, TEXT
from runlog.site import Site

STRETCHES: Final = {
    "spans": ("start", "end"),
    "stops": ("start", "end"),
    "reloads": ("start", "end"),
    "changeovers": ("start", "end"),
    "unattended_runs": ("window_start", "planned_end"),
    "bars": ("loaded_at", "finished_at"),
}
"""Facts that last: where they start and end."""
NEWS: Final = pl.Schema({BY: TEXT, "at": INSTANT})
"""From when on something is new of a machine."""


@dataclass(frozen=True)
class Before:
    """What stands, and since when there is news.

    Attributes
    ----------
    facts : mapping of str to LazyFrame
        By name, DERIVED_TABLES of one generation.
    news : LazyFrame
        machine, at: the oldest event of each machine that was added since, and whatever else can change how many
        parts of an order are made.
    heads : LazyFrame
        EVENTS restated since, of which most only repeat what was known.
    removed_from : datetime or None
        The earliest event that has given way since, on whatever machine.
    alone : LazyFrame
        machine, at: from when on something else is new that concerns no other machine.
    whole : frozenset of str
        Machines of which nothing stands that is still right.
    """

    facts: Mapping[str, pl.LazyFrame]
    news: pl.LazyFrame
    heads: pl.LazyFrame
    removed_from: datetime | None
    alone: pl.LazyFrame = field(default_factory=lambda: pl.LazyFrame(schema=NEWS))
    whole: frozenset[str] = frozenset()


def has_orders(site: Site) -> bool:
    return any(job.order_quantity for job in site.jobs)


def earlier(before: Before, found: pl.DataFrame, site: Site) -> Earlier:
    """What derivation is told of the time before the cuts."""
    facts, cuts = before.facts, found.lazy().select(BY, "cut")
    stands = pl.col("at") < pl.col("cut")
    marks = facts["marks"].filter(~pl.col("mark").is_in([FIRST, HORIZON])).join(cuts, on=BY).filter(stands)
    return Earlier(
        first=facts["marks"].filter(pl.col("mark") == FIRST).select(pl.col("at").min()).collect().item(),
        begins=found.lazy().select(BY, "begins").drop_nulls(),
        cuts=cuts,
        cycles=_cycles(facts["cycles"], found),
        loads=_loads(before, found),
        made=_ordered(before, found, site),
        marks=marks.select(*MARKS.columns).collect().lazy(),
    )


def _loads(before: Before, cuts: pl.DataFrame) -> pl.LazyFrame:
    """Reloads before the cuts that brought a bar, since the magazine was last noted as filled (`earlier.LOADS`)."""
    ours = cuts.lazy().select(BY, "cut")
    noted = before.facts["carried"].filter((pl.col("item") == "BARS_LOADED") & pl.col("number").is_not_null())
    ever = noted.filter(pl.col("as_of").is_null()).select(BY).unique()
    filled = (
        noted.select(BY, "as_of", filled_at="at")
        .join(ours, on=BY)
        .filter(pl.col("as_of") <= pl.col("cut"))
        .group_by(BY)
        .agg(pl.col("filled_at").max())
    )
    return (
        before.facts["reloads"]
        .filter(pl.col("outcome").is_in(BROUGHT_OUTCOMES))
        .join(ours, on=BY)
        .join(ever, on=BY, how="semi")
        .join(filled, on=BY, how="left")
        .filter(pl.col("start") < pl.col("cut"))
        .filter(pl.col("filled_at").is_null() | (pl.col("end") > pl.col("filled_at")))
        .select(BY, "start", "end")
        .collect()
        .lazy()
    )


def _cycles(cycles: pl.LazyFrame, found: pl.DataFrame) -> pl.LazyFrame:
    """Cycles from the beginning to the cut, and the last ones of each program before."""
    rows = cycles.join(found.lazy().select(BY, "begins", "cut"), on=BY).filter(pl.col("at") < pl.col("cut"))
    rows = rows.sort(BY, "at", maintain_order=True).collect().lazy()
    old = (
        rows.filter((pl.col("at") < pl.col("begins")).fill_null(False))
        .group_by(BY, "program", maintain_order=True)
        .tail(PARTS_BACK)
    )
    both = pl.concat(
        [old.select(rows.collect_schema().names()), rows.filter((pl.col("at") >= pl.col("begins")).fill_null(True))]
    )
    return both.drop("begins", "cut").collect().lazy()


def counted_for_orders(parts: pl.LazyFrame, site: Site) -> pl.LazyFrame:
    """Parts that count for an order: machine, job, at."""
    jobs = [job.name for job in site.jobs if job.order_quantity]
    counts = pl.col("job").is_in(jobs) & pl.col("good").fill_null(True) & ~pl.col("setting")
    return parts.filter(counts).select(BY, "job", "at")


def _ordered(before: Before, found: pl.DataFrame, site: Site) -> pl.LazyFrame:
    """Good parts of orders before the cuts: those before anything that is derived in one row a job and shift.

    Shifts of a machine without events are made from the beginning, by what was made when each began.
    """
    if not has_orders(site):
        return pl.LazyFrame(schema=MADE)
    from_beginning = before.whole or found["begins"].has_nulls()
    derived_from = None if from_beginning else found["begins"].min()
    counted = (
        counted_for_orders(before.facts["parts"], site)
        .join(found.lazy().select(BY, "cut"), on=BY)
        .filter(pl.col("at") < pl.col("cut"))
    ).collect()
    is_old = (pl.col("at") < pl.lit(derived_from, INSTANT)).fill_null(False)
    old, new = counted.filter(is_old).sort("at"), counted.filter(~is_old)
    if old.height:
        first, last = old["at"].min(), old["at"].max()
        starts = calendar.shifts(site, first, last).select("shift_start").sort("shift_start")  # pyright: ignore
        # A part that is counted as a shift begins was made before it.
        old = old.join_asof(starts, left_on="at", right_on="shift_start", allow_exact_matches=False)
        old = old.group_by("job", "shift_start").agg(pl.col("at").max(), made=pl.len().cast(pl.Int64))
    else:
        old = pl.DataFrame(schema=MADE)
    each = new.select("job", "at", made=pl.lit(1, pl.Int64))
    return pl.concat([old.select(*MADE), each]).lazy()

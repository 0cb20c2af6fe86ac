"""Whether news reached further back than was looked: what was made anew must equal what stands before the news."""

from collections.abc import Mapping
from typing import Final

import polars as pl

from runlog.derive.before import STRETCHES, Before
from runlog.derive.carried import ITEM
from runlog.derive.earlier import FIRST, HORIZON
from runlog.derive.frames import BY
from runlog.derive.observations import is_read
from runlog.derive.splice import with_earlier_marks
from runlog.schema import STARTS
from runlog.site import Site

_COMPARED: Final = {
    "spans": "end",
    "parts": "at",
    "reloads": "end",
    "bars": "finished_at",
    "stops": "end",
    "changeovers": "end",
    "unattended_runs": "planned_end",
    "shift_figures": "shift_end",
    "shift_plans": "shift_end",
}


def doubtful(
    made: Mapping[str, pl.LazyFrame],
    raw: Mapping[str, pl.LazyFrame],
    before: Before,
    found: pl.DataFrame,
    site: Site,
) -> set[str]:
    """Machines of which what was made anew differs from what stands where nothing should have changed.

    Of `made`, that is what begins at the cut or after it; of `raw`, what derivation gave for the time before as well,
    what the cut falls into.
    """
    frames = []
    for name, end in _COMPARED.items():
        late, across = pl.col(STARTS[name]) >= pl.col("cut"), pl.col(STARTS[name]) < pl.col("cut")
        # Said of the earliest as well, so that files of long ago need not be opened.
        stand = before.facts[name].filter(pl.col(end) >= found["cut"].min())
        frames.append(_differing(made[name], stand, found, late & (pl.col(end) <= pl.col("settled"))))
        if name in STRETCHES:
            until = pl.col(end).is_between("cut", "settled", closed="right")
            frames.append(_differing(raw[name], stand, found, across & until))
            frames.append(_reaching_back(raw[name], found, across & (pl.col(end) > pl.col("settled")).fill_null(True)))
    told = pl.concat([*frames, _told_otherwise(made, before, found, is_read(site, found[BY]))])
    return set(told.unique().collect()[BY])


def _differing(made: pl.LazyFrame, stand: pl.LazyFrame, found: pl.DataFrame, where: pl.Expr) -> pl.LazyFrame:
    columns = made.collect_schema().names()
    ours = found.lazy().select(BY, "cut", "settled")
    one, other = (rows.join(ours, on=BY).filter(where) for rows in (made, stand))
    return pl.concat(
        [
            one.join(other, on=columns, how="anti", nulls_equal=True).select(BY),
            other.join(one, on=columns, how="anti", nulls_equal=True).select(BY),
        ]
    )


def _reaching_back(made: pl.LazyFrame, found: pl.DataFrame, where: pl.Expr) -> pl.LazyFrame:
    """Machines of which something lasts from before the cut to after the news: nothing that stands does."""
    return made.join(found.lazy().select(BY, "cut", "settled"), on=BY).filter(where).select(BY)


def _told_otherwise(
    made: Mapping[str, pl.LazyFrame], before: Before, found: pl.DataFrame, reads: pl.Expr
) -> pl.LazyFrame:
    """Machines whose log tells an item, or a mark, that it did not tell before, or the other way round."""
    ours = found.lazy().select(BY)

    def items(facts: Mapping[str, pl.LazyFrame]) -> pl.LazyFrame:
        last = facts["carried"].filter(pl.col("as_of").is_null() & reads)
        return last.select(*ITEM).unique().join(ours, on=BY, how="semi")

    def marks(rows: pl.LazyFrame) -> pl.LazyFrame:
        kept = rows.filter(~pl.col("mark").is_in([FIRST, HORIZON])).select(BY, "mark").unique()
        return kept.join(ours, on=BY, how="semi")

    whole = with_earlier_marks(made["marks"], before, found)
    pairs = [(items(made), items(before.facts)), (marks(whole), marks(before.facts["marks"]))]
    return pl.concat(
        one.join(other, on=one.collect_schema().names(), how="anti", nulls_equal=True).select(BY)
        for left, right in pairs
        for one, other in ((left, right), (right, left))
    )

"""New facts in the place of those from each machine's cut on.

replacement(made, before, found)   what of the facts made anew takes a place
spliced(stand, new, found)         facts as they then are
"""

from collections.abc import Mapping

import polars as pl

from runlog.derive.before import Before
from runlog.derive.earlier import FIRST, HORIZON
from runlog.derive.frames import BY, held
from runlog.schema import ALARMS, DERIVED_TABLES, MARKS, STARTS


def replacement(made: Mapping[str, pl.LazyFrame], before: Before, found: pl.DataFrame) -> dict[str, pl.LazyFrame]:
    """What takes the place of all that stands from each machine's cut on, by name of the table."""
    facts = {name: _from_cut(frame, name, found) for name, frame in made.items()}
    facts["alarms"] = pl.concat([facts["alarms"], _alarms_across(made["alarms"], before.facts["alarms"], found)])
    facts["marks"] = with_earlier_marks(made["marks"], before, found)
    return {name: DERIVED_TABLES[name].conform(frame) for name, frame in facts.items()}


def spliced(
    stand: Mapping[str, pl.LazyFrame], new: Mapping[str, pl.LazyFrame], found: pl.DataFrame
) -> dict[str, pl.LazyFrame]:
    """Facts that stand before the cuts, and new ones in the place of the others."""
    out = {}
    for name, frame in stand.items():
        kept = _by_cut(frame, name, found, late=False)
        if name == "alarms":
            kept = kept.join(found.lazy().select(BY, "cut"), on=BY).filter(pl.col("end") < pl.col("cut"))
        rows = [new[name]] if name == "marks" else [DERIVED_TABLES[name].conform(kept), new[name]]
        out[name] = held(pl.concat(rows))
    return out


def _from_cut(rows: pl.LazyFrame, name: str, found: pl.DataFrame) -> pl.LazyFrame:
    return rows if name == "marks" else _by_cut(rows, name, found, late=True)


def _by_cut(rows: pl.LazyFrame, name: str, found: pl.DataFrame, *, late: bool) -> pl.LazyFrame:
    """Rows at or after the cut, or those before; all of a machine without one are after."""
    marked = rows.join(found.lazy().select(BY, "cut", "cut_date", "shifts_before"), on=BY, how="left")
    if name in STARTS:
        # What is carried after everything has no instant, and is always made anew.
        is_late = pl.col(STARTS[name]) >= pl.col("cut")
    else:
        same = (pl.col("shift_date") == pl.col("cut_date")) & ~pl.col("shifts_before").list.contains(pl.col("shift"))
        is_late = (pl.col("shift_date") > pl.col("cut_date")) | same
    return marked.filter(is_late.fill_null(True) == late).drop("cut", "cut_date", "shifts_before")


def _alarms_across(made: pl.LazyFrame, stand: pl.LazyFrame, found: pl.DataFrame) -> pl.LazyFrame:
    """Alarms that came up before a cut and were on at it: made anew, with the stop they were found to belong to."""
    cuts = found.lazy().select(BY, "cut")
    on = (pl.col("start") < pl.col("cut")) & (pl.col("end").is_null() | (pl.col("end") >= pl.col("cut")))
    key = [BY, "start", "component", "type", "code"]
    before = stand.join(cuts, on=BY).filter(on).select(*key, was_of="stop", was_first="first_out")
    since = pl.col("stop") >= pl.col("cut")
    return ALARMS.conform(
        made.join(cuts, on=BY)
        .filter(on)
        .join(before.unique(key, keep="first"), on=key, how="left", nulls_equal=True)
        .with_columns(
            stop=pl.when(since).then("stop").otherwise("was_of"),
            first_out=pl.when(since).then("first_out").otherwise(pl.col("was_first").fill_null(False)),
        )
    )


def with_earlier_marks(made: pl.LazyFrame, before: Before, found: pl.DataFrame) -> pl.LazyFrame:
    """MARKS of all machines: those that stand before each cut, and those made from there on."""
    cuts = found.lazy().select(BY, "cut")
    own = pl.col("mark") == FIRST
    later = made.join(cuts, on=BY, how="left").filter(
        pl.col("cut").is_null() | ((pl.col("at") >= pl.col("cut")) & ~own) | (pl.col("mark") == HORIZON)
    )
    stands = ((pl.col("at") < pl.col("cut")) | own) & (pl.col("mark") != HORIZON)
    stand = before.facts["marks"].join(cuts, on=BY).filter(stands)
    both = pl.concat([stand.select(*MARKS.columns), later.select(*MARKS.columns)])
    return both.group_by(BY, "mark").agg(pl.col("at").min()).select(*MARKS.columns).sort(BY, "mark")

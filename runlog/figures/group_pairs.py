"""What lies behind a chronic group: groups inside it, groups that are the same, groups that only contain another.

Where one machine fails on one bar size, its machine, that size, the material and the feed mode all stand out. Inside
each group that is called, the others are looked at once more; then the clearest is set aside, and what no longer
stands out without it was called through it alone.
"""

from collections.abc import Sequence
from typing import Final

import polars as pl

from runlog.figures.judging import LEAST_UNITS, Measure, chronic, judged, with_sentence
from runlog.figures.tally import Tally

SAME: Final = 0.9
"""Groups that share so much of their chances cannot be told apart."""
INSIDE: Final = ("inside_dimension", "inside_group")
ALIKE: Final = pl.Schema(
    dict.fromkeys((*INSIDE, "dimension", "group", "other_dimension", "other_group"), pl.String())
    | {"share": pl.Float64()}
)
LOT: Final = "bar lot"
CALLED: Final = ("chronic", "burst", "above goal")


def pairs(tally: Tally, table: pl.DataFrame, dimensions: Sequence[str], measure: Measure) -> pl.DataFrame:
    """Groups inside each chronic one, compared with the rest of it, where at least four shifts had a fault.

    Bar lots are left out: one is used up before four shifts are over, and most belong to one machine and size anyway.

    Parameters
    ----------
    tally : Tally
    table : DataFrame
        Its verdicts.
    dimensions : sequence of str
        What to look by.
    measure : Measure

    Returns
    -------
    DataFrame
        inside_dimension, inside_group, `measure.columns` (shrunken null), sentence. False discovery rate over all of
        these.
    """
    found = []
    for dimension, group in _chronic(table):
        inside = tally.inside(dimension, group)
        others = [name for name in dimensions if name not in (dimension, "plant", LOT)]
        if dimension == LOT or not len(inside) or not others:
            continue
        own = inside.counted(others, measure).filter("compared")
        enough = pl.col("units_with_fault") + pl.col("rest_units_with_fault") >= LEAST_UNITS
        found.append(own.filter(enough).with_columns(inside_dimension=pl.lit(dimension), inside_group=pl.lit(group)))
    columns = dict.fromkeys(INSIDE, pl.String()) | measure.columns
    known = pl.concat(found) if found else pl.DataFrame()
    told = judged(known, measure, keep=INSIDE, ranked=False) if known.height else pl.DataFrame(schema=columns)
    return with_sentence(told, measure)


def through(tally: Tally, table: pl.DataFrame, inside: pl.DataFrame, measure: Measure) -> pl.DataFrame:
    """Add `through` to a judged table: the group, or pair of groups, without which a chronic one is none.

    The clearest group is set aside first, or the clearest pair inside it; a chronic group that would not be called any
    more in what is left, judged anew, was called through it. Null for the others.
    """
    left, names = _chronic(table), {}
    dimensions = table["dimension"].unique(maintain_order=True).to_list()
    while left:
        head, *rest = left
        core = [head, *_clearest_inside(inside, head)]
        tally = tally.without(core)
        asked = {*rest, *([head] if len(core) > 1 else [])}
        alone = asked & chronic(tally.counted(dimensions, measure), measure) if asked else set()
        name = ", ".join(f"{dimension} {group}" for dimension, group in core)
        names |= {one: name for one in [*rest, head] if one not in alone and (one != head or len(core) > 1)}
        left = [one for one in rest if one in alone]
    said = [names.get(one) for one in table.select("dimension", "group").iter_rows()]
    return table.with_columns(through=pl.Series(said, dtype=pl.String))


def _chronic(table: pl.DataFrame) -> list[tuple[str, str]]:
    """Chronic groups, the clearest first; of those that are equally clear the one whose rate is the higher."""
    found = table.filter((pl.col("verdict") == "chronic") & (pl.col("dimension") != "plant"))
    clearest = [pl.col(name).round_sig_figs(6) for name in ("p", "rate")]
    return found.sort(clearest, descending=[False, True], maintain_order=True).select("dimension", "group").rows()


def _clearest_inside(inside: pl.DataFrame, head: tuple[str, str]) -> list[tuple[str, str]]:
    own = (pl.col("inside_dimension") == head[0]) & (pl.col("inside_group") == head[1])
    return _chronic(inside.filter(own))[:1]


def alike(tally: Tally, table: pl.DataFrame, inside: pl.DataFrame, dimensions: Sequence[str]) -> pl.DataFrame:
    """Pairs of groups of different dimensions, one of them called, that share nearly all of their chances.

    Parameters
    ----------
    tally, table, inside
        As above; chronic groups inside another are looked at within it.
    dimensions : sequence of str
        What is known of rows.

    Returns
    -------
    DataFrame
        ALIKE; inside_dimension and inside_group are null for groups of the whole shop.
    """
    called = table.filter(pl.col("verdict").is_in(CALLED))
    found = [_alike(tally, called, dimensions, None, None)]
    within = inside.filter(pl.col("verdict") == "chronic")
    for (dimension, group), own in within.group_by(*INSIDE, maintain_order=True):
        others = [name for name in dimensions if name not in (dimension, "plant")]
        part = tally.inside(str(dimension), str(group))
        found.append(_alike(part, own, others, str(dimension), str(group)))
    return pl.concat(found)


def _alike(tally: Tally, called: pl.DataFrame, dimensions: Sequence[str], *within: str | None) -> pl.DataFrame:
    groups = called.filter(pl.col("dimension").is_in(dimensions)).select("dimension", "group").rows()
    columns = [name for name in ALIKE if name not in INSIDE]
    told = pl.DataFrame(tally.overlaps(groups, dimensions, SAME), {name: ALIKE[name] for name in columns}, orient="row")
    return (
        told
        # Rounded: what differs in the last digits only is a tie.
        .sort("dimension", "group", -pl.col("share").round(9), "other_dimension", "other_group")
        .with_columns(inside_dimension=pl.lit(within[0], pl.String), inside_group=pl.lit(within[1], pl.String))
        .select(*ALIKE)
    )

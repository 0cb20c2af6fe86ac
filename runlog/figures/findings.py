"""What stands out, told once: each chronic group or bad stretch with what lies behind it.

    found = findings(groups, pairs, alike)      # of ReloadHealth or FaultHealth
    words = lead(found, groups, "reload faults", BY_RELOADS)
    words.lead      # what is chronic, or that nothing is

A chronic group that was called only through another is told with that one, not by itself.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from runlog.figures.group_pairs import INSIDE
from runlog.figures.judging import Measure, plural

_CALLED: Final = ("chronic", "burst")
_NAMED: Final = 2
"""So many are named in the lead; of more it says how many."""


@dataclass(frozen=True)
class Finding:
    """A group that stands out.

    Attributes
    ----------
    row : dict
        Its row of GROUPS.
    same : list of str
        Groups it cannot be told apart from.
    pair : dict or None
        The row of PAIRS of the group inside it without which it would be none.
    same_as_pair : list of str
        Groups that one cannot be told apart from there.
    carried : list of str
        Groups that are called only through it.
    """

    row: dict[str, Any]
    same: list[str]
    pair: dict[str, Any] | None
    same_as_pair: list[str]
    carried: list[str]

    @property
    def verdict(self) -> str:
        """chronic or burst."""
        return self.row["verdict"]

    @property
    def name(self) -> str:
        """Such as `machine T01`."""
        return name_of(self.row)

    @property
    def core(self) -> str:
        """Such as `machine T01, diameter 20 mm`: with the group inside it."""
        return self.name if self.pair is None else f"{self.name}, {name_of(self.pair)}"


@dataclass(frozen=True)
class Lead:
    """The opening of a review of faults.

    Attributes
    ----------
    lead : str
        What is chronic, or that nothing is.
    why : str
        The rates that say so; empty where nothing is.
    rest : str
        All together.
    """

    lead: str
    why: str
    rest: str


def findings(groups: pl.DataFrame, pairs: pl.DataFrame, alike: pl.DataFrame) -> list[Finding]:
    """Groups that are chronic or a burst, the clearest first.

    Parameters
    ----------
    groups, pairs, alike : DataFrame
        GROUPS, PAIRS, ALIKE of a review of faults.
    """
    return list(_findings(groups, pairs, alike))


def _findings(groups: pl.DataFrame, pairs: pl.DataFrame, alike: pl.DataFrame) -> Iterator[Finding]:
    found = groups.filter(pl.col("verdict").is_in(_CALLED) & (pl.col("dimension") != "plant"))
    cores = set(found["through"].drop_nulls())
    for row in found.iter_rows(named=True):
        inside = _inside(pairs, row)
        pair = next((one for one in inside if f"{name_of(row)}, {name_of(one)}" in cores), None)
        if row["through"] is not None and pair is None:
            continue
        core = name_of(row) if pair is None else f"{name_of(row)}, {name_of(pair)}"
        carried = [name_of(one) for one in found.filter(pl.col("through") == core).iter_rows(named=True)]
        yield Finding(
            row=row,
            same=_same(alike, row),
            pair=pair,
            same_as_pair=[] if pair is None else _same(alike, pair),
            carried=[one for one in carried if one != name_of(row)],
        )


def lead(found: list[Finding], groups: pl.DataFrame, faults: str, measure: Measure) -> Lead:
    """The first thing to know.

    Parameters
    ----------
    found : list of Finding
    groups : DataFrame
        GROUPS.
    faults : str
        What was counted, in the plural: `reload faults`, or stops by a cause.
    measure : Measure
        What they were counted against.
    """
    whole = next(groups.filter(pl.col("dimension") == "plant").iter_rows(named=True), None)
    if whole is None or not whole[measure.chances]:
        chances = "reload that counts in a rate began" if measure.at_most_one else "machine ran"
        return Lead(f"No {chances} in this time", "", "")
    rest = f"All together: {whole['sentence']}"
    chronic, bursts = ([one for one in found if one.verdict == verdict] for verdict in _CALLED)
    if chronic:
        return Lead(f"Chronic {faults}: {_named(chronic)}", _rates(chronic[0], measure), rest)
    if not whole["faults"]:
        return Lead(f"No {faults} in this time", "", rest)
    if bursts:
        return Lead(f"Nothing is chronic; {_named(bursts)} had a bad stretch", "", rest)
    if whole["verdict"] == "too few to tell" or not groups["verdict"].is_in(["within chance", "above goal"]).any():
        return Lead(f"Too few {faults} to tell a chronic one from bad luck", "", rest)
    if whole["verdict"] == "above goal":
        return Lead("Nothing stands out, but all together are above the goal", "", rest)
    return Lead(f"Nothing is chronic: chance explains the {faults} there were", "", rest)


def name_of(row: dict[str, Any]) -> str:
    """A group with its kind, such as `machine T01`."""
    return f"{row['dimension']} {row['group']}"


def mended_words(mended: pl.DataFrame, zone: str) -> list[str]:
    """Which machines are looked at since a fix only (LAST_FIXES)."""
    local = pl.col("since").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%d %H:%M")
    said = pl.format("{} is looked at since its fix only, from {} on ({}).", "machine", local, "text")
    return mended.select(said.alias("said"))["said"].to_list()


def _named(found: list[Finding]) -> str:
    names = "; ".join(one.core for one in found[:_NAMED])
    return names if len(found) <= _NAMED else f"{names}; and {len(found) - _NAMED} more"


def _rates(one: Finding, measure: Measure) -> str:
    per = "per 100 reloads" if measure.at_most_one else "per 100 h run"
    if one.pair is None:
        same = f"; not to be told apart from {', '.join(one.same)}" if one.same else ""
        return f"{one.row['rate']:.1f} {per}; all others {one.row['rest_rate']:.1f}{same}"
    times = plural("fault", one.pair["faults"])
    return f"{one.pair['rate']:.1f} {times} {per} there, {one.pair['rest_rate']:.1f} in the rest of {one.name}"


def _inside(pairs: pl.DataFrame, row: dict[str, Any]) -> list[dict[str, Any]]:
    of = (pl.col("inside_dimension") == row["dimension"]) & (pl.col("inside_group") == row["group"])
    return pairs.filter(of & (pl.col("verdict") == "chronic")).to_dicts()


def _same(alike: pl.DataFrame, row: dict[str, Any]) -> list[str]:
    own = (pl.col("dimension") == row["dimension"]) & (pl.col("group") == row["group"])
    for name in INSIDE:
        own &= pl.col(name).eq_missing(pl.lit(row.get(name), pl.String))
    return [f"{dimension} {group}" for dimension, group in alike.filter(own)[["other_dimension", "other_group"]].rows()]

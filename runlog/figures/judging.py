"""Chronic or bad luck, whatever is counted: faults of groups beside their chances, compared with all others.

    tally = Tally.of(rows, dimensions)      # UNIT, faults, chances, and a text column for each dimension
    table = judged(tally.counted(dimensions, BY_RELOADS), BY_RELOADS, goal=1.0)

Faults of one night are not independent: one bent bar makes three. So the unit of comparison is a machine's shift, not
the single chance. Rates are per 100 chances with exact limits, widened by how much more units vary than chance lets
them. Many groups are looked at at once, so the false discovery rate over all of them is held at 5 %.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from runlog.statistics.counts import fitted_gamma, more_per_hour_p, widened_per_hour
from runlog.statistics.proportions import Floats, false_discovery_q, fitted_prior, more_often_p, widened

FALSE_DISCOVERY_RATE: Final = 0.05
LEAST_UNITS: Final = 4
"""So many shifts with a fault at least make a chronic one."""
LEAST_UNITS_OF_LOT: Final = 2
"""A lot of bars is used up in a few nights."""
VERDICTS: Final = ("chronic", "above goal", "burst", "too few to tell", "within chance", "not compared")


@dataclass(frozen=True)
class Measure:
    """What faults are counted against.

    Attributes
    ----------
    chances : str
        `reloads` or `hours`: the column, and the word.
    limits : callable
        faults, chances, dispersion to the limits of the rate per chance.
    more_often : callable
        faults, chances, and those of the others to a one-sided p.
    shrunken : callable
        faults, chances to rates drawn towards the common one.
    at_most_one : bool
        A chance holds one fault at most.
    """

    chances: str
    limits: Callable[[Floats, Floats, Floats], tuple[Floats, Floats]]
    more_often: Callable[[Floats, Floats, Floats, Floats], Floats]
    shrunken: Callable[[Floats, Floats], Floats]
    at_most_one: bool

    @property
    def columns(self) -> dict[str, pl.DataType]:
        """Columns of a judged table, in order."""
        count, number, text = pl.Int64(), pl.Float64(), pl.String()
        return {
            "dimension": text,
            "group": text,
            "faults": count,
            self.chances: count if self.at_most_one else number,
            "rate": number,
            "low": number,
            "high": number,
            "shrunken": number,
            "rest_rate": number,
            "units": count,
            "units_with_fault": count,
            "rest_units": count,
            "rest_units_with_fault": count,
            "p": number,
            "q": number,
            f"p_by_{self.chances}": number,
            "dispersion": number,
            "goal": number,
            "verdict": text,
        }


BY_RELOADS: Final = Measure(
    chances="reloads",
    limits=widened,
    more_often=more_often_p,
    shrunken=lambda faults, chances: fitted_prior(faults, chances).shrunken(faults, chances),
    at_most_one=True,
)
BY_HOURS: Final = Measure(
    chances="hours",
    limits=widened_per_hour,
    more_often=more_per_hour_p,
    shrunken=lambda faults, chances: fitted_gamma(faults, chances).shrunken(faults, chances),
    at_most_one=False,
)


def judged(
    table: pl.DataFrame, measure: Measure, *, goal: float | None = None, keep: tuple[str, ...] = (), ranked: bool = True
) -> pl.DataFrame:
    """What can be said of each group.

    Parameters
    ----------
    table : DataFrame
        From `Tally.counted`.
    measure : Measure
    goal : float, optional
        Faults per 100 chances that the shop means to stay below.
    keep : tuple of str
        Further columns of the table that come first in what is returned.
    ranked : bool
        Give shrunken rates; else they are null.

    Returns
    -------
    DataFrame
        `keep`, `measure.columns`, the clearest first; all rates per 100 chances, those of the others null where there
        are none.
    """
    if not table.height:
        return pl.DataFrame(schema=measure.columns)
    low, high = measure.limits(*_of(table, "faults", "chances", "dispersion"))
    held = pl.when("compared")
    told = _with_p(table, measure).with_columns(
        low=pl.Series(100 * low),
        high=pl.Series(100 * high),
        goal=pl.lit(goal, pl.Float64),
        rate=pl.when(pl.col("chances") > 0).then(100 * pl.col("faults") / pl.col("chances")),
        rest_rate=held.then(100 * pl.col("rest_faults") / pl.col("rest_chances")),
        rest_units=held.then("rest_units"),
        rest_units_with_fault=held.then("rest_units_with_fault"),
    )
    shrunken = _shrunken(told, measure) if ranked else told.with_columns(shrunken=pl.lit(None, pl.Float64))
    called = shrunken.rename({"chances": measure.chances}).with_columns(verdict=_verdict(f"p_by_{measure.chances}"))
    rank = pl.col("verdict").replace_strict(dict(zip(VERDICTS, range(len(VERDICTS)), strict=True)))
    falling = [False, False, True, False, False]
    # Rounded: what differs in the last digits only, as hours do by the order in which they are summed, is a tie.
    keys = [
        rank,
        pl.col("q").round_sig_figs(6),
        pl.col("shrunken").round_sig_figs(6),
        pl.col("dimension"),
        pl.col("group"),
    ]
    ordered = called.sort(keys, descending=falling, nulls_last=True)
    return ordered.select(*keep, *measure.columns).cast(measure.columns)  # type: ignore[arg-type]


def chronic(table: pl.DataFrame, measure: Measure) -> set[tuple[str, str]]:
    """Dimension and group of those that `judged` calls chronic, for whoever asks no more than that."""
    found = _with_p(table, measure).filter(_is_chronic(f"p_by_{measure.chances}"))
    return {*found.select("dimension", "group").iter_rows()}


def _with_p(table: pl.DataFrame, measure: Measure) -> pl.DataFrame:
    """Add p and q by units and by chances; null where there is nothing to compare with."""
    known = table.filter("compared")
    by_units = more_often_p(*_of(known, "units_with_fault", "units", "rest_units_with_fault", "rest_units"))
    by_chances = measure.more_often(*_of(known, "faults", "chances", "rest_faults", "rest_chances"))
    found = {
        "p": by_units,
        "q": false_discovery_q(by_units),
        f"p_by_{measure.chances}": by_chances,
        "q_by_chances": false_discovery_q(by_chances),
    }
    nothing = pl.repeat(None, table.height, dtype=pl.Float64, eager=True)
    places = table["compared"].arg_true()
    return table.with_columns(nothing.scatter(places, values).alias(name) for name, values in found.items())


def _of(table: pl.DataFrame, *names: str) -> list[Floats]:
    return [table[name].to_numpy() for name in names]


def _shrunken(table: pl.DataFrame, measure: Measure) -> pl.DataFrame:
    """Add `shrunken`: groups of one dimension are drawn towards their common rate."""
    parts = table.partition_by("dimension", maintain_order=True)
    rates = [pl.Series(100 * measure.shrunken(*_of(part, "faults", "chances"))) for part in parts]
    return pl.concat(part.with_columns(shrunken=rate) for part, rate in zip(parts, rates, strict=True))


def _verdict(p_by_chances: str) -> pl.Expr:
    q_by_chances = (pl.col("q_by_chances") <= FALSE_DISCOVERY_RATE).fill_null(False)
    above_goal = (pl.col("low") > pl.col("goal")).fill_null(False)
    against = pl.coalesce("rest_rate", "goal")
    wide = (pl.col("low") <= against) & (pl.col("high") >= 2 * against)
    return (
        pl.when(_is_chronic(p_by_chances))
        .then(pl.lit("chronic"))
        .when(above_goal & _is_often())
        .then(pl.lit("above goal"))
        .when((q_by_chances | above_goal) & (pl.col("faults") > 1))
        .then(pl.lit("burst"))
        .when(against.is_null())
        .then(pl.lit("not compared"))
        .when(wide)
        .then(pl.lit("too few to tell"))
        .otherwise(pl.lit("within chance"))
    )


def _is_chronic(p_by_chances: str) -> pl.Expr:
    by_units = (pl.col("q") <= FALSE_DISCOVERY_RATE).fill_null(False)
    # A group with more chances a shift has more shifts with a fault: by chances it must stand out as well.
    by_chances = (pl.col(p_by_chances) <= FALSE_DISCOVERY_RATE).fill_null(False)
    return by_units & by_chances & _is_often()


def _is_often() -> pl.Expr:
    least = pl.when(pl.col("dimension") == "bar lot").then(LEAST_UNITS_OF_LOT).otherwise(LEAST_UNITS)
    return pl.col("units_with_fault") >= least


# --- in words ------------------------------------------------------------------------------------


def with_sentence(table: pl.DataFrame, measure: Measure) -> pl.DataFrame:
    """Add `sentence` to a judged table: what was seen, what it means, and what it would take to be sure."""
    against = table.select(pl.coalesce("rest_rate", "goal").fill_null(0.0)).to_series()
    more = np.full(table.height, np.nan)
    few = (table["verdict"] == "too few to tell").to_numpy()
    if few.any():
        faults, chances, rates = (one.to_numpy()[few] for one in (table["faults"], table[measure.chances], against))
        more[few] = chances_to_decide(faults, chances, rates, measure)
    said = [_sentence(row, needed, measure) for row, needed in zip(table.iter_rows(named=True), more, strict=True)]
    return table.with_columns(sentence=pl.Series(said, dtype=pl.String))


def _sentence(row: dict[str, Any], needed: float, measure: Measure) -> str:
    chances = row[measure.chances]
    among = f"{chances} {plural('reload', chances)}" if measure.at_most_one else f"{chances:.0f} h"
    per = "per 100" if measure.at_most_one else "per 100 h"
    seen = (
        f"{row['faults']} {plural('fault', row['faults'])} in {among},"
        f" {row['rate'] or 0:.1f} {per} ({row['low']:.1f} to {row['high']:.1f})"
    )
    rest = "" if row["rest_rate"] is None else f"; all others {row['rest_rate']:.1f}"
    nights = f"A fault in {row['units_with_fault']} of {row['units']} shifts"
    words = {
        "chronic": f"{nights}, the others in {row['rest_units_with_fault']} of {row['rest_units']}: more than chance",
        "above goal": f"Above the goal of {row['goal'] or 0:g} {per}, whatever the others do",
        "burst": f"{nights}: {_burst(row)}",
        "too few to tell": _needed(needed, measure),
        "within chance": f"{nights}: chance explains it",
        "not compared": nights,
    }
    lot = " (this lot)" if row["dimension"] == "bar lot" and row["verdict"] == "chronic" else ""
    return f"{seen}{rest}. {words[row['verdict']]}{lot}."


def _burst(row: dict[str, Any]) -> str:
    least = LEAST_UNITS_OF_LOT if row["dimension"] == "bar lot" else LEAST_UNITS
    if row["units_with_fault"] < least:
        return f"a bad stretch, not yet a pattern; {least} such shifts would make one"
    return "many faults in few of them, not more shifts with one than elsewhere: bad nights, not yet a pattern"


def _needed(more: float, measure: Measure) -> str:
    if np.isnan(more):
        return "Too few to tell good luck from bad"
    return f"Too few to tell; about {more:.0f} more {measure.chances} like these would"


_TIMES: Final = np.unique(np.geomspace(2, 200, 40).astype(int))
"""So many times what was seen is tried: steps of about an eighth, as nobody needs it closer."""


def chances_to_decide(faults: Floats, chances: Floats, against: Floats, measure: Measure = BY_RELOADS) -> Floats:
    """How many more chances at the same rate until the limits no longer hold both a rate and twice that rate.

    Parameters
    ----------
    faults, chances : ndarray
        Seen so far, of each group.
    against : ndarray
        The rate compared with, per 100 chances.
    measure : Measure

    Returns
    -------
    ndarray
        Rounded up to tens; nan where no number would do, or there is nothing to go by.
    """
    # Limits close in as counts grow, so the first number that decides is found by halving.
    first, last = np.zeros(faults.size, int), np.full(faults.size, _TIMES.size)
    while (is_open := first < last).any():
        middle = (first + last) // 2
        times = _TIMES[np.minimum(middle, _TIMES.size - 1)]
        low, high = measure.limits(faults * times, chances * times, np.ones(faults.size))
        decided = (100 * low > against) | (100 * high < 2 * against)
        last = np.where(is_open & decided, middle, last)
        first = np.where(is_open & ~decided, middle + 1, first)
    more = chances * (_TIMES[np.minimum(first, _TIMES.size - 1)] - 1)
    found = (first < _TIMES.size) & (chances > 0) & (against > 0)
    return np.where(found, np.ceil(more / 10) * 10, np.nan)


def plural(word: str, count: float) -> str:
    """The word for so many."""
    return word if count == 1 else f"{word}s"

"""Chronic or bad luck: fault rates of reloads by group, and what can be said of each.

    health = reload_health(facts, site)
    health.groups        # one row a group: count, chances, interval, comparison, verdict, sentence
    health.alike         # groups that cannot be told apart in this data

Faults of one night are not independent: one bent bar makes three. So the unit of comparison is a machine's shift with
at least one reload, not the reload. Rates are per 100 reloads with exact limits, widened by how much more units vary
than chance lets them. The pattern is looked for by machine, diameter, lot and so on at once, so the false discovery
rate over all of these is held at 5 %.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

import polars as pl

from runlog.figures.reload_groups import DIMENSIONS, rated_reloads
from runlog.figures.window import Facts
from runlog.site import Site
from runlog.statistics.proportions import (
    clopper_pearson,
    dispersion,
    false_discovery_q,
    fitted_prior,
    more_often_p,
    widened,
)

WINDOW: Final = timedelta(weeks=13, days=-1)
FALSE_DISCOVERY_RATE: Final = 0.05
LEAST_UNITS: Final = 4
"""So many shifts with a fault at least make a chronic one."""
LEAST_UNITS_OF_LOT: Final = 2
"""A lot of bars is used up in a few nights."""
SAME_RELOADS: Final = 0.9
"""Groups that share so much of their reloads cannot be told apart."""
UNIT: Final = ("machine", "shift_date", "shift")

VERDICTS: Final = ("chronic", "above goal", "burst", "too few to tell", "within chance")


@dataclass(frozen=True)
class ReloadHealth:
    """What can be said of the reloads of some weeks.

    Attributes
    ----------
    groups : pl.DataFrame
        One row a group, the clearest first: dimension, group, faults, reloads, unrated, rate, low, high, shrunken,
        rest_rate (all per 100 reloads; the rest null where there is none), units, units_with_fault, rest_units,
        rest_units_with_fault, p, q, p_by_reloads, dispersion, goal, verdict, sentence.
    alike : pl.DataFrame
        dimension, group, other_dimension, other_group, share: called groups that hold nearly the same reloads.
    first, last : datetime
        Start of the first reload and of the last that were looked at; None without any.
    """

    groups: pl.DataFrame
    alike: pl.DataFrame
    first: datetime | None
    last: datetime | None


GROUPS: Final = pl.Schema(
    {
        "dimension": pl.String(),
        "group": pl.String(),
        "faults": pl.Int64(),
        "reloads": pl.Int64(),
        "unrated": pl.Int64(),
        "rate": pl.Float64(),
        "low": pl.Float64(),
        "high": pl.Float64(),
        "shrunken": pl.Float64(),
        "rest_rate": pl.Float64(),
        "units": pl.Int64(),
        "units_with_fault": pl.Int64(),
        "rest_units": pl.Int64(),
        "rest_units_with_fault": pl.Int64(),
        "p": pl.Float64(),
        "q": pl.Float64(),
        "p_by_reloads": pl.Float64(),
        "dispersion": pl.Float64(),
        "goal": pl.Float64(),
        "verdict": pl.String(),
        "sentence": pl.String(),
    }
)
ALIKE: Final = pl.Schema(
    dict.fromkeys(("dimension", "group", "other_dimension", "other_group"), pl.String()) | {"share": pl.Float64()}
)


def reload_health(
    facts: Facts,
    site: Site,
    *,
    first: date | None = None,
    last: date | None = None,
    dimensions: Sequence[str] = DIMENSIONS,
) -> ReloadHealth:
    """Judge the reloads of a stretch of time.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    site : Site
        Its goal, `reload_fault_goal_per_100`.
    first, last : date, optional
        Reloads of shifts that start on these days, both included; the last 13 weeks with reloads if not given.
    dimensions : sequence of str
        What to group by, one at a time.
    """
    rows = rated_reloads(facts["reloads"], facts["changeovers"], facts["shift_plans"]).collect()
    day = pl.col("shift_date")
    rows = rows.filter(day <= last) if last else rows
    rows = rows.filter(day >= (first or day.max() - WINDOW))
    table = judged(rows, site.limits_.reload_fault_goal_per_100, dimensions)
    span = rows.select(first=pl.col("start").min(), last=pl.col("start").max()).row(0)
    return ReloadHealth(table, _alike(table, rows), *span)


def judged(rows: pl.DataFrame, goal: float, dimensions: Sequence[str] = DIMENSIONS) -> pl.DataFrame:
    """Judge every group of some dimensions.

    Parameters
    ----------
    rows : DataFrame
        From `rated_reloads`.
    goal : float
        Faults per 100 reloads that the shop means to stay below.
    dimensions : sequence of str
        What to group by, one at a time.

    Returns
    -------
    DataFrame
        GROUPS.
    """
    return _with_verdicts([row for name in dimensions for row in _groups(rows, name)], goal)


def _groups(rows: pl.DataFrame, dimension: str) -> list[dict[str, Any]]:
    """Counts of each group of one dimension, and of all the others of it together."""
    known = rows.filter(pl.col(dimension).is_not_null())
    names = known[dimension].unique().sort().to_list()
    if not names:
        return []
    return [_counted(known, dimension, name, alone=len(names) == 1) for name in names]


def _counted(known: pl.DataFrame, dimension: str, name: str, *, alone: bool) -> dict[str, Any]:
    own = known.filter(pl.col(dimension) == name)
    units, others = _units(own), _units(known.filter(pl.col(dimension) != name))
    faults, reloads = int(units["faults"].sum()), int(units["reloads"].sum())
    rest_faults, rest_reloads = int(others["faults"].sum()), int(others["reloads"].sum())
    bad, rest_bad = int((units["faults"] > 0).sum()), int((others["faults"] > 0).sum())
    compared = not alone and bool(rest_reloads) and bool(reloads)
    return {
        "dimension": dimension,
        "group": name,
        "faults": faults,
        "reloads": reloads,
        "unrated": int((~own["rated"]).sum()),
        "rest_rate": 100 * rest_faults / rest_reloads if compared else None,
        "units": units.height,
        "units_with_fault": bad,
        "rest_units": others.height if compared else None,
        "rest_units_with_fault": rest_bad if compared else None,
        "p": more_often_p(bad, units.height, rest_bad, others.height) if compared else None,
        "p_by_reloads": more_often_p(faults, reloads, rest_faults, rest_reloads) if compared else None,
        "dispersion": dispersion(units["faults"].to_numpy(), units["reloads"].to_numpy()),
    }


def _units(rows: pl.DataFrame) -> pl.DataFrame:
    """Reloads and faults of each machine's shift with at least one reload that counts."""
    return rows.filter("rated").group_by(UNIT, maintain_order=True).agg(faults=pl.col("fault").sum(), reloads=pl.len())


def _with_verdicts(counted: list[dict[str, Any]], goal: float) -> pl.DataFrame:
    table = pl.DataFrame(counted, schema={name: GROUPS[name] for name in counted[0]}) if counted else pl.DataFrame()
    if not table.height:
        return pl.DataFrame(schema=GROUPS)
    compared = table["p"].is_not_null()
    q = false_discovery_q(table["p"].filter(compared).to_numpy())
    low, high = widened(table["faults"].to_numpy(), table["reloads"].to_numpy(), table["dispersion"].to_numpy())
    table = table.with_columns(
        q=pl.repeat(None, table.height, dtype=pl.Float64, eager=True).scatter(compared.arg_true(), q),
        rate=pl.when(pl.col("reloads") > 0).then(100 * pl.col("faults") / pl.col("reloads")),
        low=pl.Series(100 * low),
        high=pl.Series(100 * high),
        goal=pl.lit(goal),
    )
    shrunken = pl.concat([_shrunken(part) for part in table.partition_by("dimension", maintain_order=True)])
    called = shrunken.with_columns(verdict=_verdict())
    rank = pl.col("verdict").replace_strict(dict(zip(VERDICTS, range(len(VERDICTS)), strict=True)))
    ordered = called.sort(rank, pl.col("q"), pl.col("shrunken"), descending=[False, False, True], nulls_last=True)
    sentences = [sentence(row) for row in ordered.iter_rows(named=True)]
    return ordered.with_columns(sentence=pl.Series(sentences, dtype=pl.String)).select(*GROUPS).cast(GROUPS)


def _shrunken(part: pl.DataFrame) -> pl.DataFrame:
    faults, reloads = part["faults"].to_numpy(), part["reloads"].to_numpy()
    return part.with_columns(shrunken=pl.Series(100 * fitted_prior(faults, reloads).shrunken(faults, reloads)))


def _verdict() -> pl.Expr:
    least = pl.when(pl.col("dimension") == "bar lot").then(LEAST_UNITS_OF_LOT).otherwise(LEAST_UNITS)
    by_units = (pl.col("q") <= FALSE_DISCOVERY_RATE).fill_null(False)
    by_reloads = (pl.col("p_by_reloads") <= FALSE_DISCOVERY_RATE).fill_null(False)
    above_goal = pl.col("low") > pl.col("goal")
    many = pl.col("units_with_fault") >= least
    against = pl.coalesce("rest_rate", "goal")
    wide = (pl.col("low") <= against) & (pl.col("high") >= 2 * against)
    return (
        # A group with more reloads a shift has more shifts with a fault: by reloads it must stand out as well.
        pl.when(by_units & by_reloads & many)
        .then(pl.lit("chronic"))
        .when(above_goal & many)
        .then(pl.lit("above goal"))
        .when((by_reloads | above_goal) & (pl.col("faults") > 1))
        .then(pl.lit("burst"))
        .when(wide)
        .then(pl.lit("too few to tell"))
        .otherwise(pl.lit("within chance"))
    )


# --- in words ------------------------------------------------------------------------------------


def sentence(row: dict[str, Any]) -> str:
    """What was seen of a group, what it means, and what it would take to be sure."""
    seen = (
        f"{row['faults']} {_plural('fault', row['faults'])} in {row['reloads']} {_plural('reload', row['reloads'])},"
        f" {row['rate'] or 0:.1f} per 100 ({row['low']:.1f} to {row['high']:.1f})"
    )
    rest = "" if row["rest_rate"] is None else f"; all others {row['rest_rate']:.1f}"
    nights = f"A fault in {row['units_with_fault']} of {row['units']} shifts"
    words = {
        "chronic": f"{nights}, the others in {row['rest_units_with_fault']} of {row['rest_units']}: more than chance",
        "above goal": f"Above the goal of {row['goal']:g} per 100, whatever the others do",
        "burst": f"{nights}: a bad stretch, not yet a pattern; {LEAST_UNITS} such shifts would make one",
        "too few to tell": _needed(row),
        "within chance": f"{nights}: chance explains it",
    }
    lot = " (this lot)" if row["dimension"] == "bar lot" and row["verdict"] == "chronic" else ""
    return f"{seen}{rest}. {words[row['verdict']]}{lot}."


def _needed(row: dict[str, Any]) -> str:
    against = row["rest_rate"] if row["rest_rate"] is not None else row["goal"]
    more = reloads_to_decide(row["faults"], row["reloads"], against)
    if more is None:
        return "Too few to tell good luck from bad"
    return f"Too few to tell; about {more} more reloads like these would"


def reloads_to_decide(faults: int, reloads: int, against: float) -> int | None:
    """How many more reloads at the same rate until the limits no longer hold both a rate and twice that rate.

    Parameters
    ----------
    faults, reloads : int
        Seen so far.
    against : float
        The rate compared with, per 100 reloads.

    Returns
    -------
    int or None
        Rounded up to tens; None where no number would do, or there is nothing to go by.
    """
    if not reloads or against <= 0:
        return None
    for times in range(2, 200):
        low, high = clopper_pearson(faults * times, reloads * times)
        if 100 * float(low) > against or 100 * float(high) < 2 * against:
            return -(-reloads * (times - 1) // 10) * 10
    return None


def _plural(word: str, count: int) -> str:
    return word if count == 1 else f"{word}s"


# --- what cannot be told apart -------------------------------------------------------------------


def _alike(table: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Pairs of groups of different dimensions, one of them called, that share nearly all of their reloads."""
    rated = rows.filter("rated").with_row_index("reload")
    members = pl.concat(
        [
            rated.filter(pl.col(name).is_not_null()).select("reload", dimension=pl.lit(name), group=pl.col(name))
            for name in DIMENSIONS
        ]
    )
    called = table.filter(pl.col("verdict").is_in(["chronic", "burst", "above goal"])).select("dimension", "group")
    sizes = members.group_by("dimension", "group").agg(size=pl.len())
    both = (
        members.join(called, on=["dimension", "group"], how="semi")
        .join(members.rename({"dimension": "other_dimension", "group": "other_group"}), on="reload")
        .filter(pl.col("dimension") != pl.col("other_dimension"))
        .group_by("dimension", "group", "other_dimension", "other_group")
        .agg(shared=pl.len())
        .join(sizes, on=["dimension", "group"])
        .join(
            sizes.rename({"dimension": "other_dimension", "group": "other_group", "size": "other_size"}),
            on=["other_dimension", "other_group"],
        )
        .with_columns(share=pl.col("shared") / (pl.col("size") + pl.col("other_size") - pl.col("shared")))
        .filter(pl.col("share") >= SAME_RELOADS)
        .sort("dimension", "group", "share", "other_dimension", descending=[False, False, True, False])
    )
    return both.select(*ALIKE).cast(ALIKE)

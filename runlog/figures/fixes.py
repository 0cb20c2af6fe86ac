"""Did the fix work? Faults before and after what somebody did to a machine.

    table = fix_checks(facts, site, fixes)      one row a fix: counts, exact ratio of rates, verdict, sentence

Before is what the machine did since its last fix against the same fault, 13 weeks at most; after, until the next one.
A fix noted without a clock time leaves its day out. As faults of one night hang together, a difference counts where
both the faults (per reload, or per hour) and the shifts with one show it.
"""

from collections.abc import Callable, Collection
from datetime import timedelta
from functools import cache, partial
from typing import Any, Final

import numpy as np
import polars as pl

from runlog.figures.fault_groups import running, stopped
from runlog.figures.groups import in_shifts
from runlog.figures.judging import plural
from runlog.figures.reload_groups import rated_reloads
from runlog.figures.tally import UNIT
from runlog.figures.window import Facts
from runlog.site import Site
from runlog.statistics.counts import clean_chances_to_decide, fewer_in_strata_p, rate_ratio
from runlog.statistics.proportions import more_often_p

BEFORE: Final = timedelta(weeks=13)
NEAR: Final = timedelta(hours=24)
"""A change of job so close to a fix coincides with it. Common practice."""
LIMIT: Final = 0.05

CHECKS: Final = pl.Schema(
    {
        "note": pl.String(),
        "machine": pl.String(),
        "at": pl.Datetime("us", "UTC"),
        "text": pl.String(),
        "against": pl.String(),
        "chances": pl.String(),
        "faults_before": pl.Int64(),
        "chances_before": pl.Float64(),
        "rate_before": pl.Float64(),
        "faults_after": pl.Int64(),
        "chances_after": pl.Float64(),
        "rate_after": pl.Float64(),
        "ratio": pl.Float64(),
        "ratio_low": pl.Float64(),
        "ratio_high": pl.Float64(),
        "p": pl.Float64(),
        "p_fewer": pl.Float64(),
        "shifts_before": pl.Int64(),
        "shifts_with_fault_before": pl.Int64(),
        "shifts_after": pl.Int64(),
        "shifts_with_fault_after": pl.Int64(),
        "p_fewer_by_shifts": pl.Float64(),
        "p_fewer_same_jobs": pl.Float64(),
        "verdict": pl.String(),
        "clean_to_decide": pl.Int64(),
        "job_change": pl.String(),
        "sentence": pl.String(),
    }
)
Chances = tuple[pl.DataFrame, str]
VERDICTS: Final = ("fewer since", "more since", "undecided", "none before", "nothing since")
_AGAINST_RELOADS: Final = "reload faults"
_MOST_SHIFTS: Final = 20_000


def fix_checks(
    facts: Facts,
    site: Site,
    fixes: pl.DataFrame,
    *,
    only: Collection[str] | None = None,
    chances: Callable[[str, str | None], Chances] | None = None,
) -> pl.DataFrame:
    """Compare what each fix was against before and after it.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    site : Site
    fixes : DataFrame
        Rows of NOTES that are fixes in force.
    only : collection of str, optional
        Names of the notes to compare; the others still bound the time before and after. All if not given.
    chances : callable, optional
        `chances_of` these facts for a machine and a cause, where they are known already.

    Returns
    -------
    DataFrame
        CHECKS, in the order of the fixes. Rates per 100 reloads, or per 100 hours run where the fix is against a cause
        of stops; `ratio` is after over before with exact 95 % limits; `p_fewer` one-sided. `clean_to_decide`: so many
        more reloads (hours) without a fault would show that there are fewer; null where that is shown, or never can be.
    """
    asked = fixes if only is None else fixes.filter(pl.col("note").is_in(list(only)))
    known = cache(partial(chances_of, facts, site)) if chances is None else chances
    rows = [_checked(facts, fix, fixes, *known(fix["machine"], fix["cause"])) for fix in asked.iter_rows(named=True)]
    return pl.DataFrame(rows, schema=CHECKS)


def _checked(
    facts: Facts, fix: dict[str, Any], fixes: pl.DataFrame, rows: pl.DataFrame, chances: str
) -> dict[str, Any]:
    before, after = _beside(rows, fix, fixes)
    counts = [_sums(part) for part in (before, after)]
    row = dict.fromkeys(CHECKS) | {name: fix[name] for name in ("note", "machine", "at", "text")}
    row |= {"against": fix["cause"] or _AGAINST_RELOADS, "chances": chances}
    for when, one in zip(("before", "after"), counts, strict=True):
        row |= {f"{name}_{when}": value for name, value in one.items()}
    row |= {"job_change": _job_change(facts, fix)}
    row |= _compared(row, before, after)
    return row | {"sentence": sentence(row)}


def chances_of(facts: Facts, site: Site, machine: str, cause: str | None) -> Chances:
    """What a machine had to fail at: UNIT, start, job, faults, chances; and what chances are.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    site : Site
    machine : str
    cause : str or None
        Of stops, whose chances are hours run; None for the faults of reloads.
    """
    own = {name: frame.filter(pl.col("machine") == machine) for name, frame in facts.items()}
    columns = (*UNIT, "start", "job", "faults", "chances")
    if cause is None:
        jobs = in_shifts(own["reloads"], own["shift_plans"], at="start").select("machine", "start", "job")
        rated = rated_reloads(own["reloads"], own["changeovers"], own["shift_plans"]).filter("rated")
        rows = rated.with_columns(faults=pl.col("fault").cast(pl.Int64), chances=pl.lit(1.0))
        return rows.join(jobs, on=["machine", "start"], how="left").select(columns).collect(), "reloads"
    ran = running(own, site).with_columns(faults=pl.lit(0, pl.Int64), chances=pl.col("hours"))
    stood = stopped(own, site, [cause]).with_columns(faults=pl.lit(1, pl.Int64), chances=pl.lit(0.0))
    return pl.concat([ran.select(columns), stood.select(columns)]).collect(), "hours"


def _beside(rows: pl.DataFrame, fix: dict[str, Any], fixes: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    same = fixes.filter(
        (pl.col("machine") == fix["machine"])
        & pl.col("cause").eq_missing(pl.lit(fix["cause"], pl.String))
        & (pl.col("note") != fix["note"])
    )
    last = same.filter(pl.col("until") <= fix["at"])["until"].max()
    following = same.filter(pl.col("at") >= fix["until"])["at"].min()
    start = pl.col("start")
    before = rows.filter((start < fix["at"]) & (start >= max(filter(None, [last, fix["at"] - BEFORE]))))  # type: ignore[type-var]
    after = rows.filter(start >= fix["until"])
    return before, after.filter(start < following) if following is not None else after


def _sums(part: pl.DataFrame) -> dict[str, Any]:
    faults, chances = int(part["faults"].sum()), float(part["chances"].sum())
    units = part.group_by(UNIT).agg(pl.col("faults").sum())
    return {
        "faults": faults,
        "chances": chances,
        "rate": 100 * faults / chances if chances else None,
        "shifts": units.height,
        "shifts_with_fault": int((units["faults"] > 0).sum()),
    }


def _job_change(facts: Facts, fix: dict[str, Any]) -> str | None:
    """The change of job that coincides with a fix, as `from -> to`; null without one."""
    near = (
        facts["changeovers"]
        .filter(
            (pl.col("machine") == fix["machine"])
            & (pl.col("start") <= fix["until"] + NEAR)
            & (pl.coalesce("end", "start") >= fix["at"] - NEAR)
        )
        .sort("start")
        .collect()
    )
    if not near.height:
        return None
    return f"{near['from_job'][0]} -> {near['to_job'][-1]}"


def _compared(row: dict[str, Any], before: pl.DataFrame, after: pl.DataFrame) -> dict[str, Any]:
    if not row["chances_after"]:
        return {"verdict": "nothing since"}
    if not row["faults_before"] or not row["chances_before"]:
        return {"verdict": "none before"}
    found = rate_ratio(row["faults_after"], row["chances_after"], row["faults_before"], row["chances_before"])
    shifts = [row[f"{name}_{when}"] for when in ("before", "after") for name in ("shifts_with_fault", "shifts")]
    fewer, more = more_often_p(*shifts), more_often_p(*shifts[2:], *shifts[:2])
    told = {
        "ratio": found.ratio,
        "ratio_low": found.low,
        "ratio_high": found.high,
        "p": found.p,
        "p_fewer": found.p_lower,
        "p_fewer_by_shifts": float(fewer),
        "p_fewer_same_jobs": _same_jobs(before, after),
    }
    if max(found.p_lower, float(fewer)) <= LIMIT:
        return told | {"verdict": "fewer since"}
    if max(found.p_higher, float(more)) <= LIMIT:
        return told | {"verdict": "more since"}
    return told | {"verdict": "undecided", "clean_to_decide": _clean_to_decide(row)}


def _same_jobs(before: pl.DataFrame, after: pl.DataFrame) -> float | None:
    """One-sided p for fewer faults within jobs that ran at both times; null where there are none."""
    sums = [part.group_by("job").agg(pl.col("faults", "chances").sum()) for part in (before, after)]
    both = (
        sums[1]
        .join(sums[0], on="job", suffix="_before", nulls_equal=True)
        .filter((pl.col("chances") > 0) & (pl.col("chances_before") > 0))
    )
    if not both.height:
        return None
    return fewer_in_strata_p(
        *(both[name].to_numpy() for name in ("faults", "chances", "faults_before", "chances_before"))
    )


def _clean_to_decide(row: dict[str, Any]) -> int | None:
    """More chances without a fault until both tests show fewer; null where no number would do."""
    by_chances = clean_chances_to_decide(
        row["faults_before"], row["chances_before"], row["faults_after"], row["chances_after"], LIMIT
    )
    more = np.unique(np.geomspace(1, _MOST_SHIFTS, 400).astype(int))
    p = more_often_p(
        row["shifts_with_fault_before"],
        row["shifts_before"],
        row["shifts_with_fault_after"],
        row["shifts_after"] + more,
    )
    enough = more[p <= LIMIT]
    if not enough.size or not np.isfinite(by_chances):
        return None
    a_shift = row["chances_after"] / row["shifts_after"]
    return int(np.ceil(max(by_chances, float(enough[0]) * a_shift)))


# --- in words ------------------------------------------------------------------------------------


def sentence(row: dict[str, Any]) -> str:
    """What changed with a fix, how sure that is, and what stands in the way of saying so."""
    unit = "reloads" if row["chances"] == "reloads" else "h"
    seen = "; ".join(f"{when} it {_count(row, when, unit)}" for when in ("before", "after"))
    words = {
        "fewer since": "Fewer since",
        "more since": "More since",
        "undecided": "Undecided",
        "none before": "No fault before it: nothing it could have ended",
        "nothing since": "The machine has not run since: nothing to compare yet",
    }[row["verdict"]]
    ratio = ""
    if row["ratio"] is not None:
        ratio = (
            f": {row['ratio']:.2f} times the rate ({row['ratio_low']:.2f} to {row['ratio_high']:.2f}, p {row['p']:.2g})"
        )
    return f"{words}{ratio}; {seen}.{_decides(row, unit)}{_doubt(row)}"


def _count(row: dict[str, Any], when: str, unit: str) -> str:
    faults = row[f"faults_{when}"]
    return f"{faults} {plural('fault', faults)} in {row[f'chances_{when}']:.0f} {unit}"


def _decides(row: dict[str, Any], unit: str) -> str:
    if row["verdict"] != "undecided":
        return ""
    if row["clean_to_decide"] is None:
        return " Too few faults before it: no number of clean ones can show that there are fewer."
    return f" {row['clean_to_decide']} more {unit} without a fault would show that there are fewer."


def _doubt(row: dict[str, Any]) -> str:
    if row["job_change"] is None:
        return ""
    told = f" It coincides with a change of job ({row['job_change']}): the data cannot tell the one from the other"
    if row["p_fewer_same_jobs"] is None:
        return f"{told}, as no job ran both before and after."
    return f"{told}; within jobs that ran before and after, fewer has p {row['p_fewer_same_jobs']:.2g}."

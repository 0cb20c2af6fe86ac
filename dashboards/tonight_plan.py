"""What is loaded tonight as the address says it: only the machines that differ from what is taken otherwise.

plan=T01~pin 2208~12~3|T03~shaft 118~~          machine, job, bars in the magazine, parts left on the bar in the spindle
"""

from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import quote, unquote

import polars as pl

from runlog.night_plans import NIGHT_PLAN
from runlog.site import Site

FIELDS: Final = ("job", "bars", "parts_left")


def with_address(base: pl.DataFrame, asked: str | None, site: Site) -> tuple[pl.DataFrame, list[str]]:
    """What is taken, with what the address says in its place.

    Parameters
    ----------
    base : DataFrame
        NIGHT_PLAN: every machine as it is taken without a word.
    asked : str or None
        From the address.
    site : Site
        Jobs there are.

    Returns
    -------
    plan : DataFrame
        NIGHT_PLAN.
    problems : list of str
        What of the address could not be taken, a sentence each.
    """
    jobs = {job.name for job in site.jobs}
    known = {row["machine"]: row for row in base.iter_rows(named=True)}
    problems = []
    for line in filter(None, (asked or "").split("|")):
        machine, job, bars, left, *_ = [*map(unquote, line.split("~")), "", "", "", ""]
        if machine not in known or (job and job not in jobs) or not _counts(bars, left):
            problems.append(f"Left out of the address: {machine} {job} {bars} {left}".rstrip())
            continue
        known[machine] = known[machine] | {
            "job": job or known[machine]["job"],
            "bars": int(bars) if bars else None,
            "parts_left": int(left) if left else None,
        }
    return pl.DataFrame(list(known.values()), schema=NIGHT_PLAN), problems


def _counts(*texts: str) -> bool:
    return all(not text or (text.isdecimal() and int(text) < 10**6) for text in texts)


def with_changes(plan: pl.DataFrame, changes: Mapping[int, Mapping[str, Any]]) -> pl.DataFrame:
    """A plan with what a person wrote into some of its rows.

    Parameters
    ----------
    plan : DataFrame
        NIGHT_PLAN, as it is shown.
    changes : mapping of int to mapping
        By the number of a row, from 0, what was written into which of FIELDS.
    """
    rows = plan.to_dicts()
    for number, told in changes.items():
        rows[number] |= {name: told[name] for name in FIELDS if name in told}
    return pl.DataFrame(rows, schema=NIGHT_PLAN)


def as_address(base: pl.DataFrame, plan: pl.DataFrame) -> str | None:
    """A plan for the address; None if it says nothing beyond what is taken anyhow."""
    same = {row["machine"]: row for row in base.iter_rows(named=True)}
    lines = [
        "~".join(quote("" if row[name] is None else str(row[name]), safe=" ") for name in ("machine", *FIELDS))
        for row in plan.iter_rows(named=True)
        if any(row[name] != same[row["machine"]][name] for name in FIELDS)
    ]
    return "|".join(lines) or None


def as_file(plan: pl.DataFrame, zone: str) -> pl.DataFrame:
    """A plan as the columns of the list that `runlog tonight --plan` reads."""
    start = pl.col("at").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%dT%H:%M")
    return plan.select("machine", "job", "bars", start=start, left="parts_left")

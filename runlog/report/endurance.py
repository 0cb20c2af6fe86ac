"""Endurance in the terminal, and as plain values for `--json`."""

from collections.abc import Iterator
from datetime import date
from typing import Any, Final

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from runlog.figures.endurance import WHOLE, Endurance
from runlog.report.rollups import NOT_MEASURED, Column, Grid, Row, Shows, section, text
from runlog.report.writing import number, plain

LEGEND: Final = (
    "Runs that reached their window's end, a visit, the end of order or bars, or lost their signal did not stop: they"
    " count up to there. Limits are 95 % (Greenwood, log-log). Causes compete (Aalen-Johansen)."
)
SHOWN_CAUSES: Final = 10


def shown(review: Endurance) -> Iterator[RenderableType]:
    """Heading, groups, shares still going with the numbers at risk, causes, comparison."""
    yield Text(_heading(review), style="bold")
    if not review.runs:
        yield Text("No unattended run in this time.")
        return
    for row in review.groups.filter(pl.col("dimension") == WHOLE).iter_rows(named=True):
        yield Text(plain(f"{row['finding'][0].upper()}{row['finding'][1:]}."))
    for row in review.compared.iter_rows(named=True):
        yield Text(plain(f"{row['finding'][0].upper()}{row['finding'][1:]}."))
    yield Grid(review.groups, _columns(review))
    yield from section("What ended them, share of runs", _causes(review), _cause_columns(review), "nothing")
    yield Text(LEGEND, style="dim")


def as_data(review: Endurance) -> dict[str, Any]:
    """The same as plain values, with the whole curves."""
    return {
        "unit": review.unit,
        "runs": review.runs,
        "still_running": review.running,
        "first": review.first.isoformat() if review.first else None,
        "last": review.last.isoformat() if review.last else None,
        "groups": review.groups.to_dicts(),
        "shares": review.shares.to_dicts(),
        "causes": review.causes.to_dicts(),
        "compared": review.compared.to_dicts(),
        "curves": review.curves.to_dicts(),
        "cause_curves": review.cause_curves.to_dicts(),
    }


def _heading(review: Endurance) -> str:
    if review.first is None or review.last is None:
        return "Endurance of unattended runs"
    return (
        f"Endurance of unattended runs in {review.unit}, nights from {_day(review.first)} to {_day(review.last)},"
        f" {review.runs} {'run' if review.runs == 1 else 'runs'}"
    )


def _day(one: date) -> str:
    return f"{one:%a} {one.day} {one:%b %Y}"


def _name(row: Row) -> str:
    return "all runs" if row["dimension"] == WHOLE else f"{row['dimension']} {plain(row['group'])}"


def _columns(review: Endurance) -> list[Column]:
    """Groups: counts, length by which a tenth and a half have stopped, shares still going at some lengths."""
    unit = "h" if review.unit == "hours" else "reloads"
    shares = {(row["dimension"], row["group"], row["length"]): row for row in review.shares.iter_rows(named=True)}
    lengths = sorted({length for *_, length in shares})
    return [
        ("what", _name),
        ("stops\n/runs", lambda row: f"{row['stops']}/{row['runs']}"),
        (f"tenth by {unit}\n(limits)", _point("tenth", review.unit)),
        (f"half by {unit}\n(limits)", _point("median", review.unit)),
        *((f"% past {length:g}\n(limits) at risk", _share(shares, length)) for length in lengths),
    ]


def _point(name: str, unit: str) -> Shows:
    digits = 1 if unit == "hours" else 0

    def shows(row: Row) -> str:
        value, low, high = row[name], row[f"{name}_low"], row[f"{name}_high"]
        if value is None and low is None:
            return NOT_MEASURED
        ends = [NOT_MEASURED if one is None else number(one, digits) for one in (value, low, high)]
        return f"{ends[0]} ({ends[1]} to {ends[2]})"

    return shows


def _share(shares: dict[tuple[str, str, float], Row], length: float) -> Shows:
    def shows(row: Row) -> str:
        found = shares.get((row["dimension"], row["group"], length))
        if found is None:
            return NOT_MEASURED
        low, high = (NOT_MEASURED if found[one] is None else number(100 * found[one]) for one in ("low", "high"))
        return f"{number(100 * found['surviving'])} ({low}-{high}) {found['at_risk']}"

    return shows


def _causes(review: Endurance) -> pl.DataFrame:
    """One row a cause, those of most runs first."""
    return review.causes.select("cause", "runs").unique(maintain_order=True).head(SHOWN_CAUSES)


def _cause_columns(review: Endurance) -> list[Column]:
    unit = "h" if review.unit == "hours" else "reloads"
    shares = {(row["cause"], row["length"]): row["share"] for row in review.causes.iter_rows(named=True)}
    lengths = sorted({length for _, length in shares})

    def at(length: float) -> Shows:
        return lambda row: number(100 * shares[row["cause"], length], 1)

    return [
        ("what", text("cause")),
        ("runs", lambda row: str(row["runs"])),
        *((f"% by\n{length:.3g} {unit}", at(length)) for length in lengths),
    ]

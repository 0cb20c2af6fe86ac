"""Faults of one cause in the terminal, and as plain values for `--json`."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from runlog.figures.fault_health import FaultHealth
from runlog.figures.pattern_words import pattern_words
from runlog.report.reloads import called, mended_lines, rate, rate_words, verdict_table
from runlog.report.rollups import Row
from runlog.report.writing import duration, number, plain

LEGEND: Final = (
    "Rates are stops per 100 hours run (producing or reloading) with exact 95 % limits, minor stops included. Groups"
    " are compared by shifts with a fault, as faults of one night hang together."
)
_COLUMNS: Final = ("faults", "hours", "per 100 h\n(limits)", "others", "bad\nshifts")
_QUIET: Final = ("too few to tell", "within chance")


def shown(health: FaultHealth, zone: str) -> Iterator[RenderableType]:
    """Heading, what was called in words, when they came, the table."""
    yield Text(plain(f"{', '.join(health.causes)}{_reach(health, zone)}"), style="bold")
    if not health.points.height:
        yield Text("No such stop in this time.")
        return
    for row in health.groups.filter(pl.col("dimension") == "plant").iter_rows(named=True):
        yield Text(plain(f"All machines: {row['sentence']}"))
    yield from mended_lines(health.mended, zone)
    yield from called(health.groups, health.pairs, health.alike)
    for words in pattern_words(health.trends, health.steps):
        yield Text(plain(words))
    quiet = (pl.col("dimension") == "bar lot") & pl.col("verdict").is_in(_QUIET)
    yield verdict_table(health.groups.filter(~quiet & (pl.col("dimension") != "plant")), _COLUMNS, _words)
    yield Text(LEGEND, style="dim")


def as_data(health: FaultHealth, zone: str) -> dict[str, Any]:
    """The same as plain values; instants in ISO 8601 with the site's offset."""
    at = pl.col("at").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%dT%H:%M:%S%.3f%:z")
    return {
        "causes": health.causes,
        "first": _iso(health.first, zone),
        "last": _iso(health.last, zone),
        "groups": health.groups.to_dicts(),
        "pairs": health.pairs.to_dicts(),
        "alike": health.alike.to_dicts(),
        "mended": [row["machine"] for row in health.mended.to_dicts()],
        "trends": health.trends.to_dicts(),
        "steps": health.steps.with_columns(pl.col("date").cast(pl.String)).to_dicts(),
        "points": health.points.with_columns(at).to_dicts(),
    }


def causes_table(causes: pl.DataFrame) -> Table:
    """Causes of stops with their rates."""
    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    made.add_column("cause", overflow="fold")
    for name in ("stops", "of them\nminor", "per 100 h\n(limits)", "stopped"):
        made.add_column(name, justify="right", no_wrap=True)
    for row in causes.iter_rows(named=True):
        words = row["cause"], str(row["stops"]), str(row["minor"]), rate(row), duration(row["stopped_s"])
        made.add_row(*(Text(plain(word)) for word in words))
    return made


def _iso(at: datetime | None, zone: str) -> str | None:
    return at.astimezone(ZoneInfo(zone)).isoformat() if at else None


def _reach(health: FaultHealth, zone: str) -> str:
    if health.first is None or health.last is None:
        return ""
    first, last = (at.astimezone(ZoneInfo(zone)) for at in (health.first, health.last))
    return f" from {first:%a} {first.day} {first:%b %Y} to {last:%a} {last.day} {last:%b %Y}, {zone}"


def _words(row: Row) -> list[str]:
    return [str(row["faults"]), number(row["hours"]), *rate_words(row)]

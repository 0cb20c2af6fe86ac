"""Reload health in the terminal, and as plain values for `--json`."""

from collections.abc import Iterator
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from runlog.figures.reload_health import ReloadHealth
from runlog.report.rollups import NOT_MEASURED, Row
from runlog.report.writing import number, plain

LEGEND: Final = (
    "Rates are faults (retried, failed) per 100 reloads with 95 % limits; empty and unclear ones are counted beside."
    " Groups are compared by shifts with a fault, as faults of one night hang together."
)
_NARROWEST: Final = 18
_CALLED: Final = ("chronic", "burst")
_QUIET: Final = ("too few to tell", "within chance")


def shown(health: ReloadHealth, zone: str) -> Iterator[RenderableType]:
    """Heading, what was called in words, the table, what cannot be told apart."""
    yield Text(_heading(health, zone), style="bold")
    if not health.groups.height:
        yield Text("No reload that counts in a rate began in this time.")
        return
    yield from _called(health)
    quiet = (pl.col("dimension") == "bar lot") & pl.col("verdict").is_in(_QUIET)
    shown_rows = health.groups.filter(~quiet)
    yield _table(shown_rows)
    if hidden := health.groups.height - shown_rows.height:
        yield Text(f"{hidden} more bar lots: chance, or too few to tell; --json and --export have them.")
    yield Text(LEGEND, style="dim")


def as_data(health: ReloadHealth, zone: str) -> dict[str, Any]:
    """The same as plain values; instants in ISO 8601 with the site's offset."""
    ends = [at.astimezone(ZoneInfo(zone)).isoformat() if at else None for at in (health.first, health.last)]
    return {
        "first_reload": ends[0],
        "last_reload": ends[1],
        "groups": health.groups.to_dicts(),
        "alike": health.alike.to_dicts(),
    }


def _heading(health: ReloadHealth, zone: str) -> str:
    if health.first is None or health.last is None:
        return "Reloads"
    first, last = (at.astimezone(ZoneInfo(zone)) for at in (health.first, health.last))
    return f"Reloads from {first:%a} {first.day} {first:%b %Y} to {last:%a} {last.day} {last:%b %Y}, {zone}"


def _called(health: ReloadHealth) -> Iterator[Text]:
    called = health.groups.filter(pl.col("verdict").is_in(_CALLED))
    for row in health.groups.filter((pl.col("dimension") == "plant") & (pl.col("reloads") > 0)).iter_rows(named=True):
        yield Text(plain(f"All reloads: {row['sentence']}"))
    if not called.height:
        yield Text("No group of reloads stands out from the others: chance explains what was seen.")
    for row in called.iter_rows(named=True):
        yield Text(plain(f"{row['verdict'].upper()}  {row['dimension']} {row['group']}: {row['sentence']}"))
        for pair in _same(health.alike, row):
            yield Text(plain(f"  not to be told apart from {pair}: nearly the same reloads"), style="dim")


def _same(alike: pl.DataFrame, row: Row) -> list[str]:
    own = alike.filter((pl.col("dimension") == row["dimension"]) & (pl.col("group") == row["group"]))
    return [f"{dimension} {group}" for dimension, group in own.select("other_dimension", "other_group").rows()]


def _table(rows: pl.DataFrame) -> Table:
    """Groups under their verdicts."""
    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    made.add_column("group", overflow="fold", min_width=_NARROWEST)
    for name in ("faults/reloads\n+empty, unclear", "per 100\n(limits)", "others", "bad\nshifts"):
        made.add_column(name, justify="right", no_wrap=True)
    for (verdict,), part in rows.group_by("verdict", maintain_order=True):
        made.add_section()
        made.add_row(Text(str(verdict), style="bold"))
        for row in part.iter_rows(named=True):
            made.add_row(*(Text(plain(word)) for word in _words(row)))
    return made


def _words(row: Row) -> list[str]:
    limits = f"({number(row['low'], 1)}-{number(row['high'], 1)})"
    return [
        f"  {row['dimension']} {row['group']}",
        f"{row['faults']}/{row['reloads']}" + (f" +{row['unrated']}" if row["unrated"] else ""),
        f"{NOT_MEASURED if row['rate'] is None else number(row['rate'], 1)} {limits}",
        NOT_MEASURED if row["rest_rate"] is None else number(row["rest_rate"], 1),
        f"{row['units_with_fault']}/{row['units']}",
    ]

"""Reload health in the terminal, and as plain values for `--json`."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from runlog.figures.findings import Finding, findings, mended_words, name_of
from runlog.figures.reload_health import ReloadHealth
from runlog.report.rollups import NOT_MEASURED, Row
from runlog.report.writing import number, plain

LEGEND: Final = (
    "Rates are faults (retried, failed) per 100 reloads with 95 % limits; empty and unclear ones are counted beside."
    " Groups are compared by shifts with a fault, as faults of one night hang together."
)
_NARROWEST: Final = 18
_COLUMNS: Final = ("faults/reloads\n+empty, unclear", "per 100\n(limits)", "others", "bad\nshifts")
_QUIET: Final = ("too few to tell", "within chance")


def shown(health: ReloadHealth, zone: str) -> Iterator[RenderableType]:
    """Heading, what was called in words, the table, what cannot be told apart."""
    yield Text(_heading(health, zone), style="bold")
    if not health.groups.height:
        yield Text("No reload that counts in a rate began in this time.")
        return
    for row in health.groups.filter((pl.col("dimension") == "plant") & (pl.col("reloads") > 0)).iter_rows(named=True):
        yield Text(plain(f"All reloads: {row['sentence']}"))
    yield from mended_lines(health.mended, zone)
    yield from called(health.groups, health.pairs, health.alike)
    quiet = (pl.col("dimension") == "bar lot") & pl.col("verdict").is_in(_QUIET)
    shown_rows = health.groups.filter(~quiet)
    yield verdict_table(shown_rows, _COLUMNS, _words)
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
        "pairs": health.pairs.to_dicts(),
        "alike": health.alike.to_dicts(),
        "mended": _mended(health.mended, zone),
    }


def _mended(mended: pl.DataFrame, zone: str) -> list[dict[str, Any]]:
    local = pl.col("since").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%dT%H:%M:%S%:z")
    return mended.with_columns(local).to_dicts()


def _heading(health: ReloadHealth, zone: str) -> str:
    if health.first is None or health.last is None:
        return "Reloads"
    first, last = (at.astimezone(ZoneInfo(zone)) for at in (health.first, health.last))
    return f"Reloads from {first:%a} {first.day} {first:%b %Y} to {last:%a} {last.day} {last:%b %Y}, {zone}"


def called(groups: pl.DataFrame, pairs: pl.DataFrame, alike: pl.DataFrame) -> Iterator[Text]:
    """What stands out, in words: each with what lies behind it, what is the same, what was called through it alone."""
    found = findings(groups, pairs, alike)
    if not found:
        yield Text("No group stands out from the others: chance explains what was seen.")
    for one in found:
        yield from _one_called(one)


def _one_called(one: Finding) -> Iterator[Text]:
    yield Text(plain(f"{one.verdict.upper()}  {one.name}: {one.row['sentence']}"))
    for same in one.same:
        yield Text(plain(f"  not to be told apart from {same}: nearly the same"), style="dim")
    if one.pair is not None:
        yield Text(plain(f"  Inside it {name_of(one.pair)}: {one.pair['sentence']}"))
    for same in one.same_as_pair:
        yield Text(plain(f"    not to be told apart from {same} there"), style="dim")
    if one.carried:
        yield Text(plain(f"  Called only through it: {', '.join(one.carried)}"), style="dim")
    if one.row["through"] is not None:
        yield Text("  Without that pair the rest of it does not stand out.", style="dim")


def mended_lines(mended: pl.DataFrame, zone: str) -> Iterator[Text]:
    """Which machines are looked at since a fix only."""
    for words in mended_words(mended, zone):
        yield Text(plain(words), style="dim")


def verdict_table(rows: pl.DataFrame, names: Sequence[str], words: Callable[[Row], list[str]]) -> Table:
    """Groups under their verdicts: the group, and a column for each name."""
    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    made.add_column("group", overflow="fold", min_width=_NARROWEST)
    for name in names:
        made.add_column(name, justify="right", no_wrap=True)
    for (verdict,), part in rows.group_by("verdict", maintain_order=True):
        made.add_section()
        made.add_row(Text(str(verdict), style="bold"))
        for row in part.iter_rows(named=True):
            made.add_row(*(Text(plain(word)) for word in [f"  {row['dimension']} {row['group']}", *words(row)]))
    return made


def rate(row: Row) -> str:
    """A rate with its limits."""
    limits = f"({number(row['low'], 1)}-{number(row['high'], 1)})"
    return f"{NOT_MEASURED if row['rate'] is None else number(row['rate'], 1)} {limits}"


def rate_words(row: Row) -> list[str]:
    """A group's rate with its limits, that of all others, and shifts with a fault of all shifts."""
    others = NOT_MEASURED if row["rest_rate"] is None else number(row["rest_rate"], 1)
    return [rate(row), others, f"{row['units_with_fault']}/{row['units']}"]


def _words(row: Row) -> list[str]:
    unrated = f" +{row['unrated']}" if row["unrated"] else ""
    return [f"{row['faults']}/{row['reloads']}{unrated}", *rate_words(row)]

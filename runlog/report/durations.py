"""How long reloads take in the terminal, and as plain values for `--json`."""

from collections.abc import Iterator
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from runlog.figures.reload_durations import ReloadDurations
from runlog.report.rollups import NOT_MEASURED, Row
from runlog.report.writing import number, plain

LEGEND: Final = (
    "Reloads that went well at the first attempt; medians of shifts, each job against its own planned time. A machine"
    " and job is compared with itself."
)
_CALLED: Final = ("step", "drift", "change of job")


def shown(told: ReloadDurations, zone: str) -> Iterator[RenderableType]:
    """Heading, what changed in words, the table."""
    reach = ""
    if told.first is not None and told.last is not None:
        first, last = (at.astimezone(ZoneInfo(zone)) for at in (told.first, told.last))
        reach = f" from {first:%a} {first.day} {first:%b %Y} to {last:%a} {last.day} {last:%b %Y}, {zone}"
    yield Text(f"Reload times{reach}", style="bold")
    if not told.series.height:
        yield Text("No shift with reloads enough, and a planned time to compare with.")
        return
    called = told.series.filter(pl.col("verdict").is_in(_CALLED))
    if not called.height:
        yield Text("No machine and job takes longer or shorter than it did: chance explains what was seen.")
    for row in called.iter_rows(named=True):
        yield Text(plain(f"{row['verdict'].upper()}  {row['machine']}, {row['job']}: {row['sentence']}."))
    yield _table(told.series.filter(pl.col("verdict") != "change of job"))
    yield Text(LEGEND, style="dim")


def as_data(told: ReloadDurations, zone: str) -> dict[str, Any]:
    """The same as plain values."""
    ends = [at.astimezone(ZoneInfo(zone)).isoformat() if at else None for at in (told.first, told.last)]
    dates = pl.selectors.date().cast(pl.String)
    return {
        "first_reload": ends[0],
        "last_reload": ends[1],
        "series": told.series.with_columns(dates).to_dicts(),
        "points": told.points.with_columns(dates).to_dicts(),
    }


def _table(rows: pl.DataFrame) -> Table:
    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    made.add_column("machine, job", overflow="fold", min_width=12)
    for name in ("reloads", "median\n[s]", "plan\n[s]", "of\nplan", "before", "after"):
        made.add_column(name, justify="right", no_wrap=True)
    made.add_column("verdict", overflow="fold", min_width=12)
    for row in rows.iter_rows(named=True):
        made.add_row(*(Text(plain(word)) for word in _words(row)))
    return made


def _words(row: Row) -> list[str]:
    shares = [NOT_MEASURED if row[name] is None else f"{100 * row[name]:.0f} %" for name in ("before", "after")]
    return [
        f"{row['machine']}, {row['job']}",
        str(row["reloads"]),
        number(row["median_s"]),
        number(row["planned_s"]),
        f"{100 * row['against_plan']:.0f} %",
        *shares,
        row["verdict"] + (f", {row['direction']}" if row["verdict"] in _CALLED else ""),
    ]

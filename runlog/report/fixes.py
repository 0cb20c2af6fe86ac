"""Fixes and whether they worked in the terminal, and as plain values for `--json`."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from runlog.report.writing import plain

NONE = 'No fix is noted: runlog fix add --machine T01 --date 2026-11-23 "new liner 38 mm"'


def as_data(rows: pl.DataFrame, zone: str) -> list[dict[str, Any]]:
    """Rows as plain values; instants in ISO 8601 with the site's offset."""
    instants = [name for name, dtype in rows.schema.items() if isinstance(dtype, pl.Datetime)]
    local = pl.col(instants).dt.convert_time_zone(zone).dt.strftime("%Y-%m-%dT%H:%M:%S%:z")
    return rows.with_columns(local).to_dicts() if instants else rows.to_dicts()


def listed(fixes: pl.DataFrame, zone: str) -> RenderableType:
    """The fixes, oldest first."""
    if not fixes.height:
        return Text(NONE)
    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    for name in ("note", "machine", "when"):
        made.add_column(name, no_wrap=True)
    for name in ("what", "against", "who", "why"):
        made.add_column(name, overflow="fold")
    for row in fixes.iter_rows(named=True):
        words = (
            row["note"],
            row["machine"],
            _when(row["at"], row["until"], zone),
            row["text"],
            row["cause"] or "reload faults",
            row["who"],
            row["why"] or "",
        )
        made.add_row(*(Text(plain(word)) for word in words))
    return made


def checked(checks: pl.DataFrame, zone: str) -> Iterator[RenderableType]:
    """Each fix with what it changed."""
    if not checks.height:
        yield Text(NONE)
    for row in checks.iter_rows(named=True):
        at = row["at"].astimezone(ZoneInfo(zone))
        yield Text(plain(f"{row['machine']}  {at:%a} {at.day} {at:%b %Y}  {row['text']} ({row['note']})"), style="bold")
        yield Text(plain(f"  Against {row['against']}. {row['sentence']}"))


def _when(at: datetime, until: datetime, zone: str) -> str:
    local = at.astimezone(ZoneInfo(zone))
    return f"{local:%Y-%m-%d}" if until > at else f"{local:%Y-%m-%d %H:%M}"

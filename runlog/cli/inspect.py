"""`runlog inspect`: what a file looks like, and the lines of the site file that read it."""

import dataclasses
import json
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from runlog.cli.common import SITE_FILE, SiteFile, busy, console
from runlog.inspect import Inspection
from runlog.inspect import inspect as look
from runlog.report.writing import plain
from runlog.site import load_site

_WHOLE = ("at", "machine", "data_item", "item")


def inspect(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A log file, packed or not.")],
    site: SiteFile = SITE_FILE,
    zone: Annotated[str, typer.Option("--zone", metavar="ZONE", help="Zone of stamps that carry none.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="All of it as JSON.")] = False,
) -> None:
    """Tell what a log file looks like and which lines of the site file read it."""
    # Without a site file there is something to inspect all the same; one that was asked for must be there.
    known = load_site(site) if site.is_file() or site != SITE_FILE else None
    with busy(f"looking at {file.name}"):
        found = look(file, known, zone=zone, base=site.parent)
    if as_json:
        typer.echo(json.dumps(_as_json(found), indent=1, ensure_ascii=False))
    else:
        show(found, console())


def show(found: Inspection, to: Console) -> None:
    """Print what was found."""
    for name, told in _lines(found):
        to.print(Text.assemble((f"{name:<18}", "bold"), plain(told)), soft_wrap=True)
    _table("What it speaks of", found.items, to)
    _table("First rows as events (times in UTC)", found.first_events.drop("number"), to)
    if found.rejects:
        to.print(f"\n{found.rejects} would be rejected:", style="bold")
        for count, reason in found.reasons[:8]:
            to.print(Text(f"  {count} x {plain(reason)}"), soft_wrap=True)
        _table("The first of them", found.first_rejects, to)
    for title, sentences in (("What it lacks", found.lacks), ("Look these over", found.questions + found.notes)):
        if sentences:
            to.print(f"\n{title}:", style="bold")
            to.print(Text("\n".join(f"  - {plain(sentence)}" for sentence in sentences)), soft_wrap=True)
    if found.claimed_by:
        to.print(Text(f"\nRead as source {found.claimed_by!r} of the site file, which claims it."))
    else:
        to.print("\nFor the site file, at its end:\n", style="bold")
        blocks = "\n".join(block for block in (found.machine_block, found.source_block) if block)
        to.print(Text(blocks), soft_wrap=True)


def _lines(found: Inspection) -> list[tuple[str, str]]:
    span = f"{_local(found.first_at)} to {_local(found.last_at)} UTC" if found.first_at else "no event"
    account = f"{found.rows} rows: {found.events} events, {found.rejects} rejects"
    return [
        ("file", found.path),
        ("format", found.format),
        ("packing", found.packing),
        ("encoding", found.encoding),
        *found.shape.items(),
        ("times", found.times),
        ("zone", found.zone),
        ("machines", ", ".join(found.machines) or "none"),
        ("span of time", span),
        ("read", f"{account}, {found.unchanged} unchanged, {found.ignored} ignored"),
    ]


def _local(at: datetime | None) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S}" if at else ""


def _table(title: str, frame: pl.DataFrame, to: Console) -> None:
    if not frame.height:
        return
    to.print(f"\n{title}:", style="bold")
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False)
    for name in frame.columns:
        table.add_column(name, overflow="fold", no_wrap=name in _WHOLE)
    for row in frame.iter_rows():
        table.add_row(*(Text(plain(_cell(value))) for value in row))
    to.print(table)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:%H:%M:%S}" if isinstance(value, datetime) else str(value)


def _as_json(found: Inspection) -> dict[str, Any]:
    told = {field.name: getattr(found, field.name) for field in dataclasses.fields(found)}
    return {name: _plain(value) for name, value in told.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, pl.DataFrame):
        return [{name: _plain(cell) for name, cell in row.items()} for row in value.iter_rows(named=True)]
    return value.isoformat() if isinstance(value, datetime) else value

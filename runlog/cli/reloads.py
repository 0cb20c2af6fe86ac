"""`runlog reloads`: which machine, bar size, lot or liner keeps failing to reload, and what is bad luck."""

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.console import RenderableType

from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.cli.rollups import AsJson, ExportTo, First, Last
from runlog.errors import RunlogError
from runlog.export import export
from runlog.figures.reload_durations import reload_durations
from runlog.figures.reload_groups import DIMENSIONS
from runlog.figures.reload_health import reload_health
from runlog.notes import in_force
from runlog.report import durations
from runlog.report import reloads as show
from runlog.report.writing import plain
from runlog.site import load_site
from runlog.store import Store


def reloads(
    first: First = None,
    last: Last = None,
    by: Annotated[
        str | None,
        typer.Option(
            "--by", metavar="WHAT", help="Only by machine, diameter, bar lot, liner or others; comma between."
        ),
    ] = None,
    how_long: Annotated[
        bool, typer.Option("--durations", help="How long they take against the plan, and whether that changes.")
    ] = False,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Tell chronic reload faults from bad luck: by machine, diameter, material, lot, liner and more."""
    shop = load_site(site)
    zone = shop.site.time_zone
    days = first.date() if first else None, last.date() if last else None
    with busy("looking at reloads"):
        held = Store(store)
        facts = held.facts()
        if how_long:
            told = reload_durations(facts, first=days[0], last=days[1])
            _out(told.series, lambda: durations.as_data(told, zone), durations.shown(told, zone), as_json, to)
            return
        health = reload_health(
            facts, shop, first=days[0], last=days[1], dimensions=dimensions(by, DIMENSIONS), fixes=fixes_of(held)
        )
    _out(health.groups, lambda: show.as_data(health, zone), show.shown(health, zone), as_json, to)


def fixes_of(store: Store) -> pl.DataFrame:
    """Fixes that were noted and not taken back."""
    return in_force(store.held("notes")).filter(pl.col("kind") == "fix")


def _out(
    table: pl.DataFrame,
    data: Callable[[], dict[str, Any]],
    parts: Iterator[RenderableType],
    as_json: bool,
    to: Path | None,
) -> None:
    """The table to a file if asked for, JSON if asked for, else words."""
    if to is not None:
        export(table.lazy(), to)
        typer.echo(f"Written to {plain(to)}", err=as_json)
    if as_json:
        typer.echo(json.dumps(data(), indent=2))
    elif to is None:
        for part in parts:
            console().print(part)


def dimensions(by: str | None, known: Sequence[str]) -> tuple[str, ...]:
    """The groupings of `--by`: names with commas between; all without any."""
    if by is None:
        return tuple(known)
    named = tuple(name.strip().lower() for name in by.split(",") if name.strip())
    unknown = [name for name in named if name not in known]
    if unknown or not named:
        found = ", ".join(unknown) if unknown else "nothing"
        raise RunlogError(f"--by: {found} found, some of {', '.join(known)} expected, with commas between")
    return named

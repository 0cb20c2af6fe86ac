"""`runlog faults`: which machine, bar size or job keeps stopping by a cause, and since when."""

import json
from pathlib import Path
from typing import Annotated

import polars as pl
import typer

from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.cli.reloads import dimensions, fixes_of
from runlog.cli.rollups import AsJson, ExportTo, First, Last
from runlog.export import export
from runlog.figures.fault_groups import DIMENSIONS
from runlog.figures.fault_health import causes, fault_health
from runlog.report import faults as show
from runlog.report.writing import plain
from runlog.site import load_site
from runlog.store import Store


def faults(
    cause: Annotated[
        str | None,
        typer.Option("--cause", metavar="CAUSE", help="A cause or group of causes; without one, all are listed."),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option("--by", metavar="WHAT", help="Only by machine, diameter, job or others; comma between."),
    ] = None,
    first: First = None,
    last: Last = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
    points: Annotated[
        Path | None,
        typer.Option("--points", metavar="FILE", help="Write cumulative faults over hours and reloads there."),
    ] = None,
) -> None:
    """Tell chronic causes of stops from bad luck, per 100 hours run, and find trends and steps."""
    shop, held = load_site(site), Store(store)
    facts = held.facts()
    days = first.date() if first else None, last.date() if last else None
    if cause is None:
        with busy("looking at stops"):
            told = causes(facts, shop, first=days[0], last=days[1])
        _out(told, to, as_json)
        if as_json:
            typer.echo(json.dumps({"causes": told.to_dicts()}, indent=2))
        elif to is None:
            console().print(show.causes_table(told))
        return
    with busy("looking at stops"):
        health = fault_health(
            facts, shop, cause, first=days[0], last=days[1], dimensions=dimensions(by, DIMENSIONS), fixes=fixes_of(held)
        )
    _out(health.groups, to, as_json)
    _out(health.points, points, as_json)
    zone = shop.site.time_zone
    if as_json:
        typer.echo(json.dumps(show.as_data(health, zone), indent=2))
    elif to is None and points is None:
        for part in show.shown(health, zone):
            console().print(part)


def _out(table: pl.DataFrame, to: Path | None, as_json: bool) -> None:
    if to is not None:
        export(table.lazy(), to)
        typer.echo(f"Written to {plain(to)}", err=as_json)

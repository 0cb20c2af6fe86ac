"""`runlog reloads`: which machine, bar size, lot or liner keeps failing to reload, and what is bad luck."""

import json
from collections.abc import Sequence
from typing import Annotated

import typer

from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.cli.rollups import AsJson, ExportTo, First, Last
from runlog.errors import RunlogError
from runlog.export import export
from runlog.figures.reload_groups import DIMENSIONS
from runlog.figures.reload_health import reload_health
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
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Tell chronic reload faults from bad luck: by machine, diameter, material, lot, liner and more."""
    shop = load_site(site)
    with busy("looking at reloads"):
        days = first.date() if first else None, last.date() if last else None
        facts = Store(store).facts()
        health = reload_health(facts, shop, first=days[0], last=days[1], dimensions=dimensions(by, DIMENSIONS))
    zone = shop.site.time_zone
    if to is not None:
        export(health.groups.lazy(), to)
        typer.echo(f"Written to {plain(to)}", err=as_json)
    if as_json:
        typer.echo(json.dumps(show.as_data(health, zone), indent=2))
    if as_json or to is not None:
        return
    for part in show.shown(health, zone):
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

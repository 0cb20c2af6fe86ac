"""`runlog faults`: which machine, bar size or job keeps stopping by a cause, and since when."""

from pathlib import Path
from typing import Annotated

import typer

from runlog.cli.choices import AsJson, ExportTo, First, Last, groupings
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, exported, handed_over
from runlog.cli.said import fixes_of
from runlog.figures.fault_groups import DIMENSIONS
from runlog.figures.fault_health import causes, fault_health
from runlog.report import faults as show
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told


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
    facts = facts_as_told(held, shop)
    days = first.date() if first else None, last.date() if last else None
    if cause is None:
        with busy("looking at stops"):
            told = causes(facts, shop, first=days[0], last=days[1])
        handed_over(told, lambda: {"causes": told.to_dicts()}, lambda: [show.causes_table(told)], as_json, to)
        return
    with busy("looking at stops"):
        health = fault_health(
            facts, shop, cause, first=days[0], last=days[1], dimensions=groupings(by, DIMENSIONS), fixes=fixes_of(held)
        )
    zone = shop.site.time_zone
    exported(health.points, points, as_json)
    exported(health.groups, to, as_json)
    if as_json or (to is None and points is None):
        handed_over(health.groups, lambda: show.as_data(health, zone), lambda: show.shown(health, zone), as_json, None)

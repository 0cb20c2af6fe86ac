"""`runlog reloads`: which machine, bar size, lot or liner keeps failing to reload, and what is bad luck."""

from typing import Annotated

import typer

from runlog.cli.choices import AsJson, ExportTo, First, Last, groupings
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, handed_over
from runlog.cli.said import fixes_of
from runlog.figures.reload_durations import reload_durations
from runlog.figures.reload_groups import DIMENSIONS
from runlog.figures.reload_health import reload_health
from runlog.report import durations
from runlog.report import reloads as show
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told


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
        facts = facts_as_told(held, shop)
        if how_long:
            told = reload_durations(facts, first=days[0], last=days[1])
            handed_over(
                told.series, lambda: durations.as_data(told, zone), lambda: durations.shown(told, zone), as_json, to
            )
            return
        health = reload_health(
            facts, shop, first=days[0], last=days[1], dimensions=groupings(by, DIMENSIONS), fixes=fixes_of(held)
        )
    handed_over(health.groups, lambda: show.as_data(health, zone), lambda: show.shown(health, zone), as_json, to)

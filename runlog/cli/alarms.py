"""`runlog alarms`: floods, chattering, the most frequent alarms, and which of them cause the others."""

from typing import Annotated

import typer

from runlog.cli.choices import AsJson, ExportTo, First, Last
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, handed_over
from runlog.errors import RunlogError
from runlog.figures.alarm_load import AlarmLimits, alarm_load
from runlog.report import alarms as show
from runlog.site import load_site
from runlog.store import Store

_USUAL = AlarmLimits()


def alarms(
    first: First = None,
    last: Last = None,
    machine: Annotated[str | None, typer.Option("--machine", metavar="NAME", help="Only this machine.")] = None,
    flood: Annotated[
        int, typer.Option("--flood", min=2, help="So many alarms of a machine within the time make a flood.")
    ] = _USUAL.flood_begins,
    flood_ends: Annotated[
        int, typer.Option("--flood-ends", min=1, help="It is over when there are fewer than so many.")
    ] = _USUAL.flood_ends,
    flood_minutes: Annotated[
        float, typer.Option("--flood-minutes", min=0.01, help="The time in which they are counted. [min]")
    ] = _USUAL.flood_minutes,
    chatter: Annotated[
        int, typer.Option("--chatter", min=2, help="The same alarm so many times within the time chatters.")
    ] = _USUAL.chatter_count,
    chatter_seconds: Annotated[
        float, typer.Option("--chatter-seconds", min=0.01, help="The time in which it is counted. [s]")
    ] = _USUAL.chatter_seconds,
    stale_hours: Annotated[
        float, typer.Option("--stale-hours", min=0.01, help="An alarm that stands longer is stale. [h]")
    ] = _USUAL.stale_hours,
    top: Annotated[int, typer.Option("--top", min=1, help="So many of the most frequent.")] = _USUAL.most_frequent,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Measure alarms: floods, chattering, the most frequent, first-out against consequence."""
    shop = load_site(site)
    if machine is not None and machine not in {one.name for one in shop.machines}:
        known = ", ".join(one.name for one in shop.machines)
        raise RunlogError(f"--machine {machine}: one of these expected: {known}")
    if flood_ends > flood:
        raise RunlogError(f"--flood {flood} --flood-ends {flood_ends}: an end not above the beginning expected")
    limits = AlarmLimits(flood, flood_ends, flood_minutes, chatter, chatter_seconds, stale_hours, top)
    days = first.date() if first else None, last.date() if last else None
    with busy("counting alarms"):
        load = alarm_load(Store(store).facts(), first=days[0], last=days[1], machine=machine, limits=limits)
    zone = shop.site.time_zone
    handed_over(load.frequent, lambda: show.as_data(load, zone), lambda: show.shown(load, zone), as_json, to)

"""`runlog tonight`: how far each machine will get, how many bars to load, what to fix first."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.cli.rollups import AsJson, ExportTo
from runlog.export import export
from runlog.figures.planning import next_start, start_of
from runlog.figures.quality import with_scrap
from runlog.figures.tonight import tonight_review
from runlog.night_plans import read_night_plan
from runlog.report import tonight as show
from runlog.report.writing import plain
from runlog.site import load_site
from runlog.store import Store


def tonight(
    plan: Annotated[
        Path | None,
        typer.Option("--plan", metavar="FILE", help="What is loaded: CSV of machine, job, bars, start, left."),
    ] = None,
    start: Annotated[
        str | None,
        typer.Option("--start", metavar="T", help="22:00 or 2026-11-23T22:00, local; the next unattended shift."),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Show in full how good such forecasts have been, night by night.")
    ] = False,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Forecast tonight: chance to reach the morning, parts, when bars run out, what to fix first."""
    shop, now = load_site(site), datetime.now(UTC)
    begin = start_of(start, shop, now) if start else next_start(shop, now)
    loaded = read_night_plan(plan, shop, now, begin) if plan else None
    with busy("playing the night"):
        held = Store(store)
        facts = with_scrap(held.facts(), held.held("scrap"))
        review = tonight_review(facts, shop, now, plan=loaded, start=begin)
    if to is not None:
        export(review.machines.lazy(), to)
        typer.echo(f"Written to {plain(to)}", err=as_json)
    if as_json:
        typer.echo(json.dumps(show.as_data(review, full_check=check), indent=2))
    if as_json or to is not None:
        return
    for part in show.shown(review, full_check=check):
        console().print(part)

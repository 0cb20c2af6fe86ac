"""`runlog tonight`: how far each machine will get, how many bars to load, what to fix first."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from runlog.cli.choices import AsJson, ExportTo
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, handed_over
from runlog.figures.planning import next_start, start_of
from runlog.figures.tonight import tonight_review
from runlog.night_plans import read_night_plan
from runlog.report import tonight as show
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told


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
        facts = facts_as_told(Store(store), shop)
        review = tonight_review(facts, shop, now, plan=loaded, start=begin)
    handed_over(
        review.machines,
        lambda: show.as_data(review, full_check=check),
        lambda: show.shown(review, full_check=check),
        as_json,
        to,
    )

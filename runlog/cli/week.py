"""`runlog week`: the weekly tables; `runlog scrap`: scrap lists into the store."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from runlog.cli.choices import AsJson, ExportTo, OnMachine, Week
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.cli.complaints import complain
from runlog.errors import StoreError
from runlog.export import export
from runlog.figures.quality import scrap_problems
from runlog.figures.week import WeekReview, week_review
from runlog.report.week import WeekReport, week_as_data
from runlog.report.writing import plain
from runlog.scrap import read_scrap
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told


def week(
    week: Week = None,
    machine: OnMachine = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Review a week: plan, losses, bars, changeovers, trends, and which shifts changed since last shown."""
    held, shop = Store(store), load_site(site)
    with busy("reviewing the week"):
        facts, scrap = held.facts(), held.held("scrap")
        review = week_review(
            facts_as_told(held, shop),
            shop,
            datetime.now(UTC),
            week=week,
            machine=machine,
            before=held.held("reported"),
            problems=scrap_problems(facts, scrap),
        )
    if to is not None:
        export(review.machines.lazy(), to)
        typer.echo(f"Written to {plain(to)}", err=as_json)
    if as_json:
        typer.echo(json.dumps(week_as_data(review), indent=2))
    elif to is None:
        console().print(WeekReport(review, shop.site.currency))
    _keep(held, review)


def _keep(store: Store, review: WeekReview) -> None:
    """Keep what was shown, to tell the next time what has changed; who may only read the store is told so."""
    try:
        store.put("reported", review.shown, by=("week", "machine"))
    except StoreError as error:
        complain(f"what was shown could not be kept, so the next time tells no change since now: {error}")


def scrap(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="CSV: date,shift,machine,job,quantity,reason")],
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Read scrap lists: the shifts they name are measured. A later list replaces what was said of a shift."""
    shop, held = load_site(site), Store(store)
    for file in files:
        rows = read_scrap(file, shop)
        held.put("scrap", rows, by=("machine", "shift_date", "shift"))
        shifts = rows.select("machine", "shift_date", "shift").n_unique()
        bad, of = rows["quantity"].sum(), "1 shift" if shifts == 1 else f"{shifts} shifts"
        console().print(f"{plain(file.name)}: {'1 bad part' if bad == 1 else f'{bad} bad parts'} in {of}")

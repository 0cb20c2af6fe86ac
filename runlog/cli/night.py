"""`runlog night`: the review of a night in the terminal."""

import json
from datetime import UTC, datetime
from typing import Annotated

import typer

from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.figures.night import night_review
from runlog.figures.quality import with_scrap
from runlog.report.night import NightReport, as_data
from runlog.site import load_site
from runlog.store import Store


def night(
    date: Annotated[
        datetime | None,
        typer.Option(
            "--date", formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Night that began on this local date; the last."
        ),
    ] = None,
    machine: Annotated[str | None, typer.Option("--machine", metavar="NAME", help="Only this machine.")] = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: Annotated[bool, typer.Option("--json", help="Print it as JSON, for other programs.")] = False,
) -> None:
    """Review a night: which machine to walk to first, and what each of them did."""
    with busy("reviewing the night"):
        held = Store(store)
        facts = with_scrap(held.facts(), held.held("scrap"))
        review = night_review(facts, load_site(site), date.date() if date else None, machine)
    now = datetime.now(UTC)
    if as_json:
        typer.echo(json.dumps(as_data(review, now), indent=2))
    else:
        console().print(NightReport(review, now))

"""`runlog night`: the review of a night in the terminal."""

import json
from datetime import UTC, datetime
from typing import Annotated

import typer

from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.figures.night import night_review
from runlog.report.night import NightReport, as_data
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told


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
        shop = load_site(site)
        review = night_review(facts_as_told(Store(store), shop), shop, date.date() if date else None, machine)
    now = datetime.now(UTC)
    if as_json:
        typer.echo(json.dumps(as_data(review, now), indent=2))
    else:
        console().print(NightReport(review, now))

"""`runlog fix`: what was done to a machine, and whether it worked."""

import json
from datetime import datetime
from typing import Annotated

import polars as pl
import typer

from runlog.cli.choices import AsJson, ExportTo
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console, handed_over
from runlog.cli.said import Who, Why, fixes_of, speaker, take_back
from runlog.figures.fixes import fix_checks
from runlog.notes import fix_note
from runlog.report import fixes as show
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told

app = typer.Typer(help="Note what was done to a machine, and see whether it worked.", no_args_is_help=True)

_WHEN = ["%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"]
OnMachine = Annotated[str | None, typer.Option("--machine", metavar="NAME", help="Only this machine.")]


@app.command()
def add(
    text: Annotated[str, typer.Argument(metavar="TEXT", help='What was done, such as "new liner 38 mm".')],
    machine: Annotated[str, typer.Option("--machine", metavar="NAME", help="To which machine.")],
    date: Annotated[
        datetime,
        typer.Option(
            "--date", formats=_WHEN, metavar="YYYY-MM-DD[THH:MM]", help="When; without a time that day counts nowhere."
        ),
    ],
    cause: Annotated[
        str | None, typer.Option("--cause", metavar="CAUSE", help="Against stops of this cause, not reload faults.")
    ] = None,
    who: Who = None,
    why: Why = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Note a fix."""
    # Of the day alone, the parser makes its midnight.
    when = date.date() if (date.hour, date.minute) == (0, 0) else date
    row = fix_note(machine, when, text, load_site(site), who=speaker(who), why=why, cause=cause)
    Store(store).add("notes", row)
    console().print(f"Noted as {row['note'][0]}; `runlog fix check` tells whether it worked.")


@app.command()
def withdraw(
    note: Annotated[
        str | None, typer.Argument(metavar="[NOTE]", help="Its name, from `runlog fix list`; the one noted last.")
    ] = None,
    who: Who = None,
    why: Why = None,
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Take back a fix that was noted; both the note and its withdrawal are kept."""
    take_back(Store(store), "fix", note, who, why)


@app.command("list")
def list_(
    machine: OnMachine = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
) -> None:
    """List the fixes that were noted."""
    fixes, zone = _fixes(Store(store), machine), load_site(site).site.time_zone
    if as_json:
        typer.echo(json.dumps({"fixes": show.as_data(fixes, zone)}, indent=2))
        return
    console().print(show.listed(fixes, zone))


@app.command()
def check(
    machine: OnMachine = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Compare the faults before and after each fix."""
    shop, held = load_site(site), Store(store)
    with busy("comparing before and after"):
        told = fix_checks(facts_as_told(held, shop), shop, _fixes(held, machine))
    zone = shop.site.time_zone
    handed_over(told, lambda: {"checks": show.as_data(told, zone)}, lambda: show.checked(told, zone), as_json, to)


def _fixes(store: Store, machine: str | None = None) -> pl.DataFrame:
    fixes = fixes_of(store)
    return fixes if machine is None else fixes.filter(pl.col("machine") == machine)

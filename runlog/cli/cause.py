"""`runlog cause`: name what stopped a machine, where the log did not know or was wrong."""

import json
from datetime import UTC, datetime
from typing import Annotated

import polars as pl
import typer

from runlog.cli.choices import AsJson
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, console
from runlog.cli.said import Who, Why, notes_of, speaker, take_back
from runlog.errors import RunlogError
from runlog.figures.named_causes import unplaced
from runlog.notes import cause_note
from runlog.report.rollups import Grid, rows_as_data, text
from runlog.site import load_site
from runlog.store import Store

app = typer.Typer(help="Name what stopped a machine; the log's own word is kept.", no_args_is_help=True)

_WHEN = ["%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"]


@app.command()
def add(
    cause: Annotated[str, typer.Argument(metavar="CAUSE", help="What stopped it, such as swarf nest.")],
    machine: Annotated[str, typer.Option("--machine", metavar="NAME", help="Which machine.")],
    at: Annotated[
        datetime, typer.Option("--at", formats=_WHEN, metavar="YYYY-MM-DDTHH:MM", help="A time within the stop, local.")
    ],
    who: Who = None,
    why: Why = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Name the cause of a stop."""
    shop, held = load_site(site), Store(store)
    instant = at.replace(tzinfo=shop.zone).astimezone(UTC)
    row = cause_note(machine, instant, cause, shop, who=speaker(who), why=why)
    if unplaced(held.facts(), row).height:
        raise RunlogError(f"--at {at:%Y-%m-%d %H:%M:%S}: {machine} did not stand then, a time within a stop expected")
    held.add("notes", row)
    console().print(f"Noted as {row['note'][0]}; every figure follows it. `runlog cause withdraw` takes it back.")


@app.command()
def withdraw(
    note: Annotated[
        str | None, typer.Argument(metavar="[NOTE]", help="Its name, from `runlog cause list`; the one noted last.")
    ] = None,
    who: Who = None,
    why: Why = None,
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Take back a name; both the name and its withdrawal are kept."""
    take_back(Store(store), "cause", note, who, why)


@app.command("list")
def list_(site: SiteFile = SITE_FILE, store: StoreFolder = STORE_FOLDER, as_json: AsJson = False) -> None:
    """List the names that were given; those that lie in no stop any more are said."""
    held, zone = Store(store), load_site(site).site.time_zone
    named = notes_of(held, "cause")
    lost = unplaced(held.facts(), named).select("note", lies=pl.lit("in no stop")) if named.height else None
    rows = named if lost is None else named.join(lost, on="note", how="left")
    if as_json:
        typer.echo(json.dumps({"causes": rows_as_data(rows, zone)}, indent=2))
    elif rows.is_empty():
        console().print("No cause was named by anybody.")
    else:
        local = rows.with_columns(pl.col("at").dt.convert_time_zone(zone).dt.strftime("%a %d %b %Y %H:%M:%S"))
        names = ("note", "machine", "at", "cause", "who", "why", "lies")
        console().print(Grid(local, [(name, text(name)) for name in names]))

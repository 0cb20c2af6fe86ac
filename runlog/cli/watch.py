"""`runlog watch` and `runlog status`: follow folders, and see whether somebody does."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Final

import typer
from rich.console import Group
from rich.table import Table
from rich.text import Text

from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, console
from runlog.cli.complaints import complain
from runlog.report.writing import duration, plain
from runlog.status import Status, as_data, store_status
from runlog.store import Store

HELD: Final = 3
"""Exit code of `watch` when another watcher holds the store."""
NEEDS_A_LOOK: Final = 1
NO_STORE: Final = 2
"""Exit codes of `status`."""


def watch(
    folders: Annotated[list[Path], typer.Argument(metavar="FOLDER...", help="Folders of logs, to the bottom.")],
    once: Annotated[bool, typer.Option("--once", help="Read what is there, and end.")] = False,
    poll: Annotated[
        bool, typer.Option("--poll", help="Look every few seconds instead of waiting for notices of changes.")
    ] = False,
    wait: Annotated[bool, typer.Option("--wait", help="Take over when the watcher that holds the store ends.")] = False,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Follow folders of logs, keep the store and the facts up to date, until Ctrl+C."""
    from runlog.watch import Stop, WatchedError
    from runlog.watch import watch as follow

    try:
        with Stop().on_signals() as stop:
            outcome = follow(folders, site, Store(store), stop=stop, tell=_tell, once=once, poll=poll, wait=wait)
    except WatchedError as error:
        complain(str(error))
        raise typer.Exit(HELD) from None
    if once and outcome.skipped:
        for one in outcome.skipped:
            complain(one.reason if one.reason.startswith(str(one.path)) else f"{one.path}: {one.reason}")
        raise typer.Exit(1)


def status(
    as_json: Annotated[bool, typer.Option("--json", help="Print it as JSON, for other programs.")] = False,
    stale_after: Annotated[
        float | None,
        typer.Option("--stale-after", min=0, metavar="HOURS", help="A source silent so long is a problem."),
    ] = None,
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Show what is in the store and whether a watcher lives: exit code 0 fine, 1 needs a look, 2 no store."""
    held = Store(store)
    if not held.exists():
        message = f"{store}: no store there yet; `runlog ingest FOLDER` reads logs into it"
        if as_json:
            typer.echo(json.dumps({"store": str(store), "problems": [message]}, indent=2))
        else:
            complain(message)
        raise typer.Exit(NO_STORE)
    found = store_status(held, datetime.now(UTC), timedelta(hours=stale_after) if stale_after is not None else None)
    if as_json:
        typer.echo(json.dumps(as_data(found), indent=2))
    else:
        console().print(_shown(found))
    if found.problems:
        raise typer.Exit(NEEDS_A_LOOK)


def _shown(found: Status) -> Group:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    for name in ("source", "files", "last file", "last event", "lag", "rejects"):
        table.add_column(name, justify="right" if name in ("files", "lag", "rejects") else "left", overflow="fold")
    for row in found.sources.iter_rows(named=True):
        at = row["last_event"]
        words = (
            plain(row["source"]),
            str(row["files"]),
            plain(row["last_file"]),
            f"{at.astimezone():%Y-%m-%d %H:%M:%S %Z}" if at else "",
            duration(row["lag_s"]) if row["lag_s"] is not None else "",
            str(row["rejects"]),
        )
        table.add_row(*map(Text, words))
    lines = [Text(plain(line)) for line in found.watcher_in_words()]
    lines += [Text(f"needs a look: {plain(problem)}") for problem in found.problems]
    return Group(table, Text(f"store: {plain(found.store)}, version {found.version}"), *lines)


def _tell(message: str) -> None:
    # A service's log: each line by itself, at once, with the local time.
    at = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
    print(f"{at}  {plain(message)}", flush=True)

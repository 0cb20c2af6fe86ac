"""What commands share: options, consoles, progress bars."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer
from rich.console import Console, RenderableType
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.text import Text

from runlog.cli.complaints import complain
from runlog.export import export
from runlog.report.writing import plain
from runlog.store import Store

SiteFile = Annotated[Path, typer.Option("--site", envvar="RUNLOG_SITE", metavar="FILE", help="Site file.")]
StoreFolder = Annotated[
    Path, typer.Option("--store", envvar="RUNLOG_STORE", metavar="DIR", help="Folder of the store.")
]

SITE_FILE = Path("site.toml")
STORE_FOLDER = Path("store")


def exported(table: pl.DataFrame, to: Path | None, as_json: bool) -> None:
    """The table in a file, if one is asked for; that is told where nothing else must stand."""
    if to is not None:
        export(table.lazy(), to)
        typer.echo(f"Written to {plain(to)}", err=as_json)


def handed_over(
    table: pl.DataFrame,
    data: Callable[[], Mapping[str, Any]],
    parts: Callable[[], Iterable[RenderableType]],
    as_json: bool,
    to: Path | None,
) -> None:
    """What a review gives: its table in a file if asked for, JSON if asked for, else words."""
    exported(table, to, as_json)
    if as_json:
        typer.echo(json.dumps(data(), indent=2))
    elif to is None:
        for part in parts():
            console().print(part)


def console() -> Console:
    """For results, on standard output."""
    return Console(highlight=False, markup=False, emoji=False)


def mended(store: Store) -> Store:
    """The store, after a look whether it is whole; what had to be done is told."""
    for line in store.mend():
        complain(line)
    return store


@contextmanager
def bar(doing: str) -> Iterator[Callable[[int, int, str], None]]:
    """A progress bar on standard error, seen only in a terminal; call it with done, total and what is being done."""
    shown = Console(stderr=True)
    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, TimeElapsedColumn(), console=shown, transient=True, disable=not shown.is_terminal) as bars:
        task = bars.add_task(doing, total=None)

        def told(done: int, total: int, now: str) -> None:
            bars.update(task, completed=done, total=total, description=plain(now))

        yield told


@contextmanager
def busy(doing: str) -> Iterator[None]:
    """A spinner on standard error while something of unknown length is done."""
    with Console(stderr=True).status(Text(doing)):
        yield

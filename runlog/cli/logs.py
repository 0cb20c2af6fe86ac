"""`runlog ingest`, `runlog derive`, `runlog export`: files into the store, the store into files."""

from pathlib import Path
from typing import Annotated, Final

import polars as pl
import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from runlog import pipeline
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, bar, busy, console, mended
from runlog.errors import RunlogError
from runlog.export import export as write
from runlog.pipeline import IngestReport
from runlog.report.writing import plain
from runlog.schema import INPUT_TABLES, TABLES
from runlog.site import Site, load_site
from runlog.store import Store

_COUNTS: Final = ("rows", "offered", "events", "unchanged", "rejects", "ignored", "moved")


def ingest(
    paths: Annotated[list[Path], typer.Argument(metavar="PATH...", help="Log files, or folders of them.")],
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    again: Annotated[bool, typer.Option("--again", help="Read them anew, as after a change of the site file.")] = False,
) -> None:
    """Read logs into the store and derive the facts; what was read before adds nothing."""
    report = read(paths, load_site(site), mended(Store(store)), base=site.parent, again=again)
    shown = console()
    show(report, shown)
    if report.skipped:
        raise typer.Exit(1)


def derive(
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    everything: Annotated[bool, typer.Option("--all", help="From the first event on, whatever stands.")] = False,
) -> None:
    """Bring the facts up to date with the logs, the site file and the plans."""
    shop, held = load_site(site), mended(Store(store))
    if not everything and pipeline.is_current(shop, held):
        console().print("Facts are up to date; --all derives them anew all the same.")
        return
    with busy("deriving facts"):
        standards = pipeline.rederive(shop, held, afresh=everything)
    for new in standards:
        console().print(Text(plain(str(new))))
    console().print("Facts derived anew.")


def export(
    table: Annotated[str, typer.Argument(metavar="TABLE", help=f"One of: {', '.join(TABLES)}.")],
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="Where to: .csv, .parquet or .json.")],
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Write a table of the store to a file; times are in UTC, with their zone."""
    with busy(f"writing {to}"):
        write(_frame(table, Store(store)), to)
    console().print(Text(f"{table} written to {plain(to)}"))


def read(paths: list[Path], site: Site, store: Store, *, base: Path, again: bool = False) -> IngestReport:
    """Ingest with a progress bar."""
    with bar("looking for logs") as told:

        def step(now: pipeline.Step) -> None:
            told(now.done, now.total, "deriving facts" if now.done == now.total else f"reading {now.path.name}")

        return pipeline.ingest(paths, site, store, base=base, again=again, progress=step)


def show(report: IngestReport, to: Console) -> None:
    """Print what became of every file."""
    if len(report.progress):
        to.print(_files(report.progress))
    for note in report.progress.filter(pl.col("note") != "").iter_rows(named=True):
        to.print(Text(plain(f"{note['path']}: {note['note']}")))
    if report.unchanged:
        to.print(f"{_files_of(len(report.unchanged))} read before, nothing new.")
    if report.unclaimed:
        to.print(f"{_files_of(len(report.unclaimed))} claimed by no source of the site file:")
        to.print(Text("\n".join(f"  {plain(path)}" for path in report.unclaimed)))
    if report.skipped:
        to.print(f"{_files_of(len(report.skipped))} could not be read:")
        to.print(Text("\n".join(f"  {plain(one.path)}: {plain(one.reason)}" for one in report.skipped)))
    for new in report.standards:
        to.print(Text(plain(str(new))))
    if report.progress["rejects"].sum():
        to.print("Each reject with its reason: runlog rejects")


def _files(progress: pl.DataFrame) -> Table:
    table = Table(box=None, padding=(0, 0, 0, 1), pad_edge=False, show_footer=True)
    table.add_column("file", footer=_files_of(len(progress)), overflow="fold")
    for name in _COUNTS:
        table.add_column(name, footer=str(progress[name].sum()), justify="right", no_wrap=True)
    for row in progress.iter_rows(named=True):
        table.add_row(Text(plain(row["path"])), *(str(row[name]) for name in _COUNTS))
    return table


def _files_of(count: int) -> str:
    return "1 file" if count == 1 else f"{count} files"


def _frame(table: str, store: Store) -> pl.LazyFrame:
    if table not in TABLES:
        raise RunlogError(f"{table!r} found, one of these tables expected: {', '.join(TABLES)}")
    intake = {"events": store.events, "rejects": store.rejects, "progress": store.progress}
    if table in intake:
        return intake[table]()
    return store.held(table) if table in {one.name for one in INPUT_TABLES} else store.fact(table)

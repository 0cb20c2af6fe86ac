"""`runlog rejects`: what could not be read, where it stood, and why."""

from pathlib import Path
from typing import Annotated, Final

import polars as pl
import typer
from rich.table import Table
from rich.text import Text

from runlog.cli.common import STORE_FOLDER, StoreFolder, console
from runlog.errors import RunlogError
from runlog.export import export as write
from runlog.report.writing import plain
from runlog.store import Store

_SHOWN_RAW: Final = 200


def rejects(
    source: Annotated[str | None, typer.Option("--source", metavar="NAME", help="Only those of this source.")] = None,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE", help="Write all of them to a file: .csv, .parquet or .json.")
    ] = None,
    last: Annotated[int, typer.Option("--last", min=1, metavar="COUNT", help="Show so many of the newest.")] = 100,
    store: StoreFolder = STORE_FOLDER,
) -> None:
    """Show what could not be read, newest first, each with its reason."""
    found = chosen(Store(store), source)
    if to is not None:
        write(found, to)
        console().print(Text(f"rejects written to {plain(to)}"))
        return
    shown, total = found.head(last).collect(), found.select(pl.len()).collect().item()
    if not total:
        console().print("Nothing was rejected.")
        return
    console().print(_table(shown))
    if total > len(shown):
        console().print(f"The newest {len(shown)} of {total}. All of them: runlog rejects --to rejects.csv")


def chosen(store: Store, source: str | None) -> pl.LazyFrame:
    """Rejects, of one source or of all, newest first and each file in its order.

    Raises
    ------
    RunlogError
        There is no store, or nothing was read of that source.
    """
    found = store.rejects()
    if source is not None:
        names = sorted(store.progress().select("source").collect()["source"].unique())
        if source not in names:
            raise RunlogError(
                f"--source {source!r}: found none of this name, one of these expected: {', '.join(names)}"
            )
        found = found.filter(pl.col("source") == source)
    return found.sort(
        "read_at", "path", "line", "cell", descending=[True, False, False, False], nulls_last=True, maintain_order=True
    )


def _table(rows: pl.DataFrame) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    table.add_column("source")
    table.add_column("file", overflow="fold")
    table.add_column("line", justify="right", no_wrap=True)
    table.add_column("reason", ratio=2)
    table.add_column("text", overflow="fold", ratio=2)
    for row in rows.iter_rows(named=True):
        raw = plain(row["raw"] or "")
        raw = raw if len(raw) <= _SHOWN_RAW else f"{raw[:_SHOWN_RAW]}..."
        words = (plain(row["source"]), plain(row["path"]), str(row["line"]), plain(row["reason"]), raw)
        table.add_row(*map(Text, words))
    return table

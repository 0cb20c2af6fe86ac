"""Stores of invented shops of any size, made of facts: their logs would take an hour to read."""

import sys
import tempfile
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Final

import polars as pl
import polars.selectors as cs

from runlog.bundled import sample_logs
from runlog.derive import derive
from runlog.pipeline import ingest
from runlog.schema import FACT_TABLES
from runlog.simulator import simulate_frames
from runlog.site import load_site
from runlog.store import Store

QUARTER: Final = timedelta(days=91)


def shop(folder: Path, machines: int, begin: date, days: int = QUARTER.days, quarters: int = 1) -> None:
    """Write a site file and a store of so many machines.

    Parameters
    ----------
    folder : Path
        Where `site.toml` and `store` go.
    machines : int
    begin : date
        The first day.
    days : int
        How long the shop is played.
    quarters : int
        How often all of it is in the store, each time a quarter of a year before.
    """
    events, _, toml = simulate_frames(start=begin, days=days, seed=3, machines=machines)
    (folder / "site.toml").write_text(toml, encoding="utf-8")
    site, store = load_site(folder / "site.toml"), Store(folder / "store")
    # A store has events before it has facts: those of one sample log do.
    sample = next(path for path in sorted((sample_logs() / "logs").rglob("*")) if path.is_file())
    ingest([sample], load_site(sample_logs() / "site.toml"), store, base=sample_logs())
    # All machines together would fill the memory.
    parts = [
        pl.collect_all(of.filter(machine=name) for of in derive(events.lazy().filter(machine=name), site).values())
        for name in sorted(events["machine"].unique())
    ]
    played = [pl.concat(of) for of in zip(*parts, strict=True)]
    store.replace_facts(
        {
            table.name: pl.concat(one.with_columns(cs.temporal() - QUARTER * ago) for ago in range(quarters)).lazy()
            for table, one in zip(FACT_TABLES, played, strict=True)
        }
    )


def in_folder(main: Callable[[Path], None]) -> None:
    """Run a benchmark in the folder that it is told, where its shops stay, or in one that goes with it."""
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
        return
    with tempfile.TemporaryDirectory() as made_here:
        main(Path(made_here))

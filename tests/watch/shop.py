"""A small shop for tests of what follows a folder: two machines, a CSV and adapter lines."""

from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from runlog.pipeline import IngestReport, ingest
from runlog.schema import FACT_TABLES
from runlog.site import Site, parse_site
from runlog.store import Store

TEXT = """
[site]
name = "shop"
time_zone = "UTC"

[[machine]]
name = "T01"

[[machine]]
name = "T02"

[[source]]
name = "T01 log"
files = ["T01*.csv"]
format = "csv"
machine = "T01"
csv = { time = "time", signal = "signal", value = "value" }

[[source]]
name = "T02 log"
files = ["T02*.log"]
format = "adapter lines"
machine = "T02"
keys = { execution = { item = "EXECUTION" } }

[[job]]
name = "bush"
programs = ["O1"]
cycle_s = 60
part_mm = 40
parting_mm = 3
diameter_mm = 32
material = "steel"
density_kg_dm3 = 7.9
bar_mm = 1200
"""
SHOP = parse_site(TEXT)

HEADER = "time,signal,value\n"


def rows(first: int, last: int) -> str:
    """CSV rows of T01, minute by minute; the last counter of a stretch is cut to another number by a torn line."""
    return "".join(
        f"2026-03-02T{20 + minute // 60}:{minute % 60:02}:{second},{signal},{value}\n"
        for minute in range(first, last)
        for second, signal, value in (
            ("00", "program", "O1"),
            ("01", "execution", "ACTIVE"),
            ("58", "execution", "READY"),
            ("58", "part_count", str(minute + 100)),
        )
    )


def lines(first: int, last: int) -> str:
    """Adapter lines of T02, minute by minute."""
    return "".join(
        f"2026-03-02T{20 + minute // 60}:{minute % 60:02}:{second}Z|execution|{state}\n"
        for minute in range(first, last)
        for second, state in (("00", "ACTIVE"), ("50", "READY"))
    )


def taken(folder: Path, store: Store, site: Site = SHOP, *, again: bool = False) -> IngestReport:
    return ingest([folder], site, store, base=folder, again=again)


def told(store: Store) -> pl.DataFrame:
    """Distinct events without what only says where they stood."""
    where = ("source", "file", "line", "cell", "body_start", "head")
    return store.events().drop(where).collect().sort("machine", "at", "data_item", "text")


def facts(store: Store) -> dict[str, pl.DataFrame]:
    made = {table.name: store.fact(table.name).collect() for table in FACT_TABLES}
    return {name: frame.sort(frame.columns) for name, frame in made.items()}


def same_as_clean(logs: Path, store: Store) -> None:
    """Events and facts equal those of a clean read of what lies in the folder."""
    clean = Store(store.folder.with_name("clean"))
    taken(logs, clean)
    assert_frame_equal(told(store), told(clean))
    wanted = facts(clean)
    for name, frame in facts(store).items():
        assert_frame_equal(frame, wanted[name])

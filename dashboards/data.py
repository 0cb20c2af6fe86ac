"""Where the pages get their frames: the store and the site file named by the environment, cached by what they hold."""

import os
import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl
import polars.selectors as cs
import streamlit as st

from runlog.export import export
from runlog.figures.night import NightReview, night_review
from runlog.figures.quality import with_scrap
from runlog.site import load_site
from runlog.store import Store


@dataclass(frozen=True)
class Place:
    """What the pages look at; two equal ones hold the same.

    Attributes
    ----------
    store, site : Path
        The folder of the store and the site file.
    version : str
        Of the store: changes with every reading.
    edited : int
        When the site file was last written, 0 if there is none. [ns]
    """

    store: Path
    site: Path
    version: str
    edited: int


def place() -> Place:
    """The place named by RUNLOG_STORE and RUNLOG_SITE, as it is now."""
    store = Path(os.environ.get("RUNLOG_STORE", "store"))
    site = Path(os.environ.get("RUNLOG_SITE", "site.toml"))
    edited = site.stat().st_mtime_ns if site.is_file() else 0
    return Place(store.absolute(), site.absolute(), Store(store).version(), edited)


def review(here: Place, night: date | None) -> NightReview:
    """The review of a night, the last one if none is given.

    Raises
    ------
    RunlogError
        There is no store, no site file, no such night; the message says what to do.
    """
    return _review(str(here.store), here.version, str(here.site), here.edited, night)


@st.cache_data(max_entries=32, show_spinner=False)
def _review(store: str, version: str, site: str, edited: int, night: date | None) -> NightReview:
    # `version` and `edited` are there to be part of the cache's key.
    held = Store(Path(store))
    return night_review(with_scrap(held.facts(), held.held("scrap")), load_site(Path(site)), night)


def csv_of(frame: pl.DataFrame, zone: str) -> bytes:
    """A frame as CSV for another program, times local with their offset, formulas disarmed."""
    local = frame.with_columns(cs.datetime(time_zone="UTC").dt.convert_time_zone(zone))
    with tempfile.TemporaryDirectory() as folder:
        to = Path(folder) / "table.csv"
        export(local.lazy(), to)
        return to.read_bytes()

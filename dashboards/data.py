"""Where the pages get their frames: the store and the site file named by the environment, cached by what they hold."""

import hashlib
import os
import tempfile
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

import polars as pl
import polars.selectors as cs
import streamlit as st

from runlog.export import export
from runlog.figures.named_causes import with_named_causes
from runlog.figures.night import Facts, NightReview, Windows, night_review, windows_of
from runlog.figures.quality import scrap_problems
from runlog.figures.stop_around import around
from runlog.figures.stop_around import events_around as events_around_of
from runlog.site import Site, load_site
from runlog.store import Store
from runlog.told import facts_as_counted, names_in_force

T = TypeVar("T")
_CAUSES: Final = "causes "
"""Begins the `words` of a place that is told by named causes alone."""


@dataclass(frozen=True)
class Place:
    """What the pages look at; two equal ones hold the same.

    Attributes
    ----------
    store, site : Path
        The folder of the store and the site file.
    version : str
        Of the store: changes with every reading.
    words : str
        Changes with every word of a person.
    edited : int
        When the site file was last written, 0 if there is none. [ns]
    """

    store: Path
    site: Path
    version: str
    words: str
    edited: int


def place() -> Place:
    """The place named by RUNLOG_STORE and RUNLOG_SITE, as it is now."""
    store = Path(os.environ.get("RUNLOG_STORE", "store"))
    site = Path(os.environ.get("RUNLOG_SITE", "site.toml"))
    edited = site.stat().st_mtime_ns if site.is_file() else 0
    version, _, words = Store(store).version().rpartition("-")
    return Place(store.absolute(), site.absolute(), version, words, edited)


def of_log(here: Place) -> Place:
    """The place without what people wrote: what is made of the log alone stays as it is when they write."""
    return replace(here, words="")


def of_causes(here: Place) -> Place:
    """The place with the causes that people named, whatever fixes, remarks and actions they wrote."""
    if not here.words or here.words.startswith(_CAUSES):
        return here
    return replace(here, words=kept(here, _names))


# --- what is asked of it -------------------------------------------------------------------------


def kept(here: Place, ask: Callable[..., T], *words: Hashable) -> T:
    """The answer of a question, asked once for what the place holds.

    Parameters
    ----------
    here : Place
    ask : callable
        A function of a module, called with `here` and `words`. Its answer must not be changed: the next page gets it.
    words : hashable
        What is asked.
    """
    return _kept(here, f"{ask.__module__}.{ask.__qualname__}", words, ask)


@st.cache_resource(max_entries=128, show_spinner=False, hash_funcs={Place: repr})
def _kept(here: Place, question: str, words: tuple[Hashable, ...], _ask: Callable[..., Any]) -> Any:
    # `question` is there to be part of the cache's key.
    return _ask(here, *words)


def site(here: Place) -> Site:
    """The checked site file."""
    return kept(of_log(here), _site)


def facts(here: Place) -> Facts:
    """Fact tables, people's words over them."""
    return kept(of_causes(here), _facts)


def review(here: Place, night: date | None) -> NightReview:
    """The review of a night, the last one if none is given.

    Raises
    ------
    RunlogError
        There is no store, no site file, no such night; the message says what to do.
    """
    return kept(of_causes(here), _review, night)


def events_around(here: Place, machine: str, start: datetime, end: datetime) -> pl.DataFrame:
    """The log around a stop; see `figures.stop_around`."""
    return kept(of_log(here), _events_around, machine, start, end)


def notes(here: Place) -> pl.LazyFrame:
    """What people wrote, taken back or not (NOTES)."""
    return Store(here.store).held("notes")


def reported(here: Place) -> pl.LazyFrame:
    """What `runlog week` last told of each week (REPORTED)."""
    return Store(here.store).held("reported")


def scrap_problems_of(here: Place) -> pl.DataFrame:
    """Scrap lists that do not fit the log; see `figures.quality`."""
    held = Store(here.store)
    return scrap_problems(held.facts(), held.held("scrap"))


def _events_around(here: Place, machine: str, start: datetime, end: datetime) -> pl.DataFrame:
    return events_around_of(Store(here.store).events([machine], *around(start, end)), start)


def _site(here: Place) -> Site:
    return load_site(here.site)


def _names(here: Place) -> str:
    return _told_apart(names_in_force(Store(here.store)))


def _told_apart(names: pl.DataFrame) -> str:
    """What is called otherwise for other names; nothing for none."""
    notes = "|".join(names["note"].sort())
    return _CAUSES + hashlib.sha256(notes.encode()).hexdigest()[:16] if notes else ""


def _facts(here: Place) -> Facts:
    names = names_in_force(Store(here.store))
    if not here.words:
        names = names.clear()
    elif _told_apart(names) != here.words:
        # Somebody wrote since the page began: kept as the answer of then, this would come back with a name taken back.
        st.rerun()
    return with_named_causes(kept(of_log(here), _counted), names, site(here))


def _counted(here: Place) -> Facts:
    return facts_as_counted(Store(here.store))


def _review(here: Place, night: date | None) -> NightReview:
    return night_review(facts(here), site(here), night, windows=kept(of_log(here), _windows))


def _windows(here: Place) -> Windows:
    return windows_of(kept(here, _counted), site(here))


# --- to take away --------------------------------------------------------------------------------


def csv_of(frame: pl.DataFrame, zone: str) -> bytes:
    """A frame as CSV for another program, times local with their offset, formulas disarmed."""
    return _written(frame.with_columns(cs.datetime(time_zone="UTC").dt.convert_time_zone(zone)), "table.csv")


def parquet_of(frame: pl.DataFrame) -> bytes:
    """A frame as Parquet, as it is: times in UTC."""
    return _written(frame, "table.parquet")


def _written(frame: pl.DataFrame, name: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        to = Path(folder) / name
        export(frame.lazy(), to)
        return to.read_bytes()

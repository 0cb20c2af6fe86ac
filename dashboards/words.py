"""Who writes through the pages, and the one door through which their words go."""

import getpass

import data
import polars as pl

from runlog.store import Store


def may_write(here: data.Place) -> bool:
    """Whether the person at the page may write."""
    return True


def who() -> str:
    """The name a person writes under unless they give another."""
    return getpass.getuser()


def said(here: data.Place, rows: pl.DataFrame) -> None:
    """Keep a person's words: rows of NOTES."""
    Store(here.store).add("notes", rows)

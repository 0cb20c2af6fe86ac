"""What commands that keep a person's word share: who says so, and taking it back."""

import getpass
from typing import Annotated

import polars as pl
import typer

from runlog.cli.common import console
from runlog.notes import in_force, withdrawal
from runlog.store import Store

Who = Annotated[str | None, typer.Option("--who", metavar="NAME", help="Who says so; the name you are logged on with.")]
Why = Annotated[str | None, typer.Option("--why", metavar="TEXT", help="Why.")]


def speaker(who: str | None) -> str:
    """Who says so: the name given, else the one the person is logged on with."""
    return who or getpass.getuser()


def notes_of(store: Store, kind: str) -> pl.DataFrame:
    """Notes of a kind that are in force."""
    return in_force(store.held("notes")).filter(pl.col("kind") == kind)


def fixes_of(store: Store) -> pl.DataFrame:
    """Fixes that were noted and not taken back."""
    return notes_of(store, "fix")


def take_back(store: Store, kind: str, note: str | None, who: str | None, why: str | None) -> None:
    """Take back a note of a kind, the one noted last if none is named; both stay in the table."""
    row = withdrawal(notes_of(store, kind), note or "", who=speaker(who), why=why)
    store.add("notes", row)
    console().print(f"{row['withdraws'][0]} is taken back.")

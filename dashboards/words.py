"""Who is at the page, whether they may write, and the one door through which their words go.

    if words.may_write(here): ...draw the form, with words.who() as the name to start from
    words.said(here, rows)      # asks again: a form drawn a while ago gives no right

The site file's `[dashboard] writers` names those who may write by their e-mail; without it all may who open the pages.
"""

import getpass
from collections.abc import Callable
from typing import Any

import data
import pieces
import polars as pl
import streamlit as st

from runlog.errors import RunlogError
from runlog.site import Site, load_site
from runlog.store import Store


def may_write(here: data.Place | None = None) -> bool:
    """Whether the person at the page may write."""
    return not why_not(here)


def why_not(here: data.Place | None = None) -> str:
    """Why the person at the page may not write, and what to do about it; empty if they may."""
    try:
        return _refusal(data.site(here or data.place()))
    except RunlogError:
        return "Nobody may write until the site file can be read: it names who may."


def who() -> str:
    """Name of the person at the page: as the login tells it, else of the account that serves the pages."""
    person = _person()
    return str(person.get("name") or person.get("email") or "") or getpass.getuser()


def said(here: data.Place, rows: pl.DataFrame) -> None:
    """Keep a person's words.

    Parameters
    ----------
    here : Place
    rows : DataFrame
        Of NOTES. Whoever is logged in and writes under another name is named beside it.

    Raises
    ------
    RunlogError
        The person may not write, or the store cannot be written.
    """
    # The list as it stands now: the page may have been drawn before it was changed.
    refused = _refusal(load_site(here.site))
    if refused:
        raise RunlogError(refused)
    Store(here.store).add("notes", rows.with_columns(who=_signed()))


def keep(here: data.Place, made: Callable[[], pl.DataFrame]) -> bool:
    """Keep what a form says, or tell what is missing.

    Parameters
    ----------
    here : Place
    made : callable
        Makes the rows of NOTES; what a person left out is raised as a `RunlogError`.

    Returns
    -------
    bool
        Whether it is kept: the page is then to be drawn anew.
    """
    missing = kept_or_missing(here, made)
    if missing:
        not_kept(missing)
    return not missing


def kept_or_missing(here: data.Place, made: Callable[[], pl.DataFrame]) -> list[str]:
    """Keep what a form says; where it cannot be, what is missing, to be shown by `not_kept`."""
    try:
        said(here, made())
    except RunlogError as error:
        return str(error).splitlines()
    return []


def not_kept(missing: list[str]) -> None:
    """Tell what is missing."""
    pieces.sentence("Not kept", *missing)


def email() -> str:
    """E-mail of the person at the page, empty if unknown, or if the login says that it was never verified."""
    person = _person()
    return "" if person.get("email_verified") is False else str(person.get("email") or "")


def _refusal(site: Site) -> str:
    writers = site.dashboard.writers
    if not writers or email().casefold() in {writer.casefold() for writer in writers}:
        return ""
    if not _person():
        return (
            "Nobody may write here: the site file names `writers`, and without a login nobody is known. "
            "`runlog dashboard --login FILE` asks who one is; commands such as `runlog fix` write as ever."
        )
    return (
        f"{email() or 'A person without a verified e-mail'} may read, not write: "
        "`writers` in section `[dashboard]` of the site file names who may."
    )


def _signed() -> pl.Expr:
    name = pl.col("who")
    if not _person():
        return name
    known = email() or who()
    return (
        pl.when(name.is_in([who(), known])).then(name).otherwise(pl.format("{} (logged in: {})", name, pl.lit(known)))
    )


def _person() -> dict[str, Any]:
    """What the login told of the person; nothing without one."""
    told = st.user.to_dict()
    return told if told.get("is_logged_in") else {}

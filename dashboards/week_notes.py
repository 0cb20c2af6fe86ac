"""What people say of a week: remarks, and actions with an owner and a day, which stay in sight until they are done."""

from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any, Final

import data
import pieces
import polars as pl
import streamlit as st
import words

from runlog.figures.period import Period
from runlog.figures.week_notes import actions, remarks
from runlog.notes import action_note, done_note, remark_note

WHOLE_SHOP: Final = "the whole shop"


def shown(here: data.Place, period: Period, machine: str | None) -> None:
    """Remarks of the week and actions, and room for more."""
    pieces.section("Notes and actions")
    notes = data.notes(here)
    told = remarks(notes, period, machine)
    listed = actions(notes, period, machine, datetime.now(UTC))
    if told.is_empty() and listed.is_empty():
        pieces.note("None yet.")
    if told.height:
        pieces.sentences("Remarks of this week", told["said"].to_list())
    if listed.height:
        pieces.sentences("Actions, open ones from earlier weeks with them", listed["said"].to_list())
    if words.may_write(here):
        _close(here, listed.filter(pl.col("open")))
        _more(here, period)


def _close(here: data.Place, listed: pl.DataFrame) -> None:
    if listed.is_empty():
        return
    with st.form("close", border=False, clear_on_submit=True):
        which, came, who, button = st.columns([5, 4, 3, 2], gap="small", vertical_alignment="bottom")
        rows = {row["note"]: row for row in listed.iter_rows(named=True)}
        note = which.selectbox("Action that is done", list(rows), format_func=lambda one: rows[one]["said"])
        why = came.text_input("What came of it")
        by = who.text_input("Who says so", words.who(), key="close who")
        done = button.form_submit_button("Close it", width="stretch")
        if done and words.keep(here, lambda: done_note(rows[note], who=by, why=why or None)):
            st.rerun()


def _more(here: data.Place, period: Period) -> None:
    with st.form("more", border=False, clear_on_submit=True):
        said = st.text_input("Remark, or what is to be done")
        about, owner, due, who, button = st.columns([3, 3, 3, 3, 2], gap="small", vertical_alignment="bottom")
        site = data.site(here)
        machine = about.selectbox("About", [WHOLE_SHOP, *(one.name for one in site.machines)])
        does = owner.text_input("Who does it", placeholder="nobody: a remark")
        by_when = due.date_input("Until", max(period.last, datetime.now(UTC).date()) + timedelta(days=7))
        by = who.text_input("Who says so", words.who(), key="more who")
        if button.form_submit_button("Note it", width="stretch"):
            about_it: dict[str, Any] = {"machine": None if machine == WHOLE_SHOP else machine, "who": by}
            made = partial(remark_note, said, _day(period), site, **about_it)
            if does.strip() and isinstance(by_when, date):
                made = partial(action_note, said, site, owner=does, due=by_when, **about_it)
            if words.keep(here, made):
                st.rerun()


def _day(period: Period) -> date:
    """A remark is about the last day of the week, or today while the week runs."""
    return min(period.last, datetime.now(UTC).date())

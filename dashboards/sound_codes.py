"""Alarm codes without a cause: what they cost, and a rule for one of them, shown before it is written."""

from typing import Final

import address
import data
import pieces
import polars as pl
import sheet
import sound_asks as asks
import sound_tables as tables
import streamlit as st
from words import may_write, why_not

from runlog.current import facts_follow
from runlog.errors import RunlogError
from runlog.figures.soundness import Days
from runlog.site import Site
from runlog.site.edit import SiteEdit, cause_rule_edit
from runlog.status import Status
from runlog.store import Store

SAID: Final = "cause rule said"
DUE: Final = "cause rule due"
"""Of the session: what became of the last rule, and that facts are to be derived anew."""


def codes(here: data.Place, number: int, days: Days, status: Status) -> None:
    """The section of the page."""
    pieces.section("Alarm codes without a cause")
    rows = data.kept(here, asks.unmapped, number)
    stops, hours = data.kept(here, asks.without_alarm, number)
    if len(rows):
        pieces.note(
            "No [[cause]] of the site file names these, so stops they begin count as other alarm. Hours are those "
            "the stops lasted, planned or not."
        )
    sheet.table(
        "Codes",
        "codes",
        tables.unmapped(rows, days.zone),
        rows,
        days.zone,
        nothing="Every alarm of these days has a cause by the site file.",
    )
    if stops:
        pieces.note(
            f"Beside these, {stops:,} stops of {hours:,.1f} h came without any alarm and are unexplained: no rule can "
            "name them, people can."
        )
    named = rows.filter(pl.col("code").is_not_null())
    if len(named):
        _name_one(here, named, data.site(here), status)
    # Where the button was: there people look.
    _derive_if_due(here, status)
    if said := st.session_state.pop(SAID, None):
        st.text(said)


def _name_one(here: data.Place, rows: pl.DataFrame, site: Site, status: Status) -> None:
    words = dict(rows.select("code", pl.col("text").fill_null("")).iter_rows())
    left, right = st.columns(2, gap="small")
    code = address.one_of(
        "code",
        "Alarm code",
        list(words),
        left,
        default=next(iter(words)),
        words=lambda one: f"{one}  {words[one]}",
        unknown="No code of that name without a cause in these days; the costliest is chosen.",
    )
    groups = site.cause_groups
    names = sorted((one for one in groups if one != "unexplained"), key=lambda one: (groups[one], one))
    cause = right.selectbox(
        "Its cause",
        names,
        index=None,
        key=f"cause of {code}",
        placeholder="Choose a cause",
        format_func=lambda one: f"{groups[one]}: {one}",
    )
    if cause:
        _preview(here, cause_rule_edit(here.site, [code], cause), code, cause, status)


def _preview(here: data.Place, edit: SiteEdit, code: str, cause: str, status: Status) -> None:
    pieces.note(f"Added at the end of {edit.path.name}; all else in it stays as it is:")
    st.code("\n".join(f"+ {line}" for line in edit.lines), language=None)
    effect = data.kept(here, asks.effect, code, cause)
    pieces.note("What that changes, in the whole log:")
    sheet.table("Changes", "changes", tables.effect(effect), effect, "UTC", nothing="No alarm and no stop.")
    if edit.site.cause_group(cause) == "bar supply":
        pieces.note(
            "Alarms of bar supply are the feeder's, so bar changes they belong to can be judged otherwise, too."
        )
    if not may_write(here):
        pieces.note("Nothing may be written from this page: put these lines into the site file by hand.")
        return
    pieces.note(_then(here, status))
    st.button(f"Write it into {edit.path.name}", key="write rule", type="primary", on_click=_write, args=(edit, cause))


def _then(here: data.Place, status: Status) -> str:
    due = data.kept(here, asks.due)
    if status.life == "running":
        return "The watcher then reads the site file and derives the facts anew, within about a minute and a half."
    if not due.beside:
        return f"Facts are then to be derived anew by `runlog derive`: {due.events:,} events are too many for a page."
    return f"Facts are then derived anew from {due.events:,} events, which takes up to {due.seconds} s or so."


# --- when the button is pressed ------------------------------------------------------------------


def _write(edit: SiteEdit, cause: str) -> None:
    """Write what was shown: `edit` holds the file as it was then."""
    # Asked again: a page drawn a while ago gives no right.
    if refused := why_not():
        st.session_state[SAID] = refused
        return
    try:
        edit.write()
    except RunlogError as error:
        st.session_state[SAID] = str(error)
        return
    address.to("code", None)
    st.session_state[DUE] = True
    st.session_state[SAID] = f"Written into {edit.path.name}: {', '.join(edit.site.cause[-1].codes)} is {cause}."


def _derive_if_due(here: data.Place, status: Status) -> None:
    """After a rule was written: derive here, or say who does."""
    if not st.session_state.pop(DUE, False) or status.life == "running":
        return
    due = data.kept(here, asks.due)
    if not due.beside:
        st.session_state[SAID] += " Now `runlog derive` makes the facts anew."
        return
    said = st.session_state[SAID]
    with st.status(f"Deriving facts anew from {due.events:,} events, up to {due.seconds} s or so") as shown:
        try:
            new = facts_follow(data.site(here), Store(here.store))
        except RunlogError as error:
            shown.update(label="Facts could not be derived", state="error")
            st.session_state[SAID] = f"{said} Facts could not be derived: {error}"
            return
        shown.update(label="Facts derived anew", state="complete")
    st.session_state[SAID] = " ".join([said, "Facts are derived anew.", *new])
    st.rerun()

"""Fixes: what was done, whether it worked, and noting one more."""

from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import Any, Final
from zoneinfo import ZoneInfo

import data
import drawing
import health_asks as asks
import health_charts as charts
import health_drawn as drawn
import health_tables as tables
import pieces
import polars as pl
import sheet
import streamlit as st
import words
from health_asks import RELOAD_FAULTS, Scope
from theme import Markup, markup

from runlog.notes import fix_note, withdrawal

_SAID: Final = "fix said"
"""Where the answer to the last word of a person waits for the page that shows it."""
_WHO: Final = "who writes"
_NOTED: Final = "fixes noted"


def newest(here: data.Place, of: Scope, zone: str) -> list[Markup]:
    """What became of the last fix against what is looked at, or against anything."""
    held = _own(asks.fixes(here), of).sort("at")
    same = held.filter(pl.col("cause").is_null() if of.of_reloads else pl.col("cause") == of.cause)
    last = (same if same.height else held)["note"].tail(1).to_list()
    checks = asks.checks(here, tuple(last)) if last else pl.DataFrame()
    return [_short(row, zone) for row in checks.iter_rows(named=True)]


def show(here: data.Place, of: Scope) -> None:
    """All fixes with their verdicts, and a form for one more."""
    zone = data.site(here).site.time_zone
    pieces.section("Did the fixes work?" + (f" {of.machine}" if of.machine else ""))
    if said := st.session_state.pop(_SAID, None):
        pieces.told([markup("<b>{said}</b>", said=said)])
    held = _own(asks.fixes(here), of)
    if held.is_empty():
        pieces.note("No fix is noted yet. Note what was done below: from then on the page tells whether it worked.")
    else:
        checks = _own(asks.checks(here), of).sort("at", descending=True)
        all_checks(here, of, checks, zone)
    if words.may_write(here):
        left, right = st.columns([11, 6], gap="large")
        with left:
            note_one(here, of)
        with right:
            take_back(here, held, zone)


def all_checks(here: data.Place, of: Scope, checks: pl.DataFrame, zone: str) -> None:
    """Each fix in words, as a ratio of rates, and in a table."""
    pieces.told([_told(row, zone) for row in checks.iter_rows(named=True)])
    chart = drawn.fixes(here, of.machine, zone)
    if chart is not None:
        known = checks.filter(pl.col("ratio").is_not_null()).with_columns(name=charts.fix_name(zone)).head(5)
        told = [f"{row['name']} {row['ratio']:.2f}, {row['verdict']}" for row in known.iter_rows(named=True)]
        alt = f"Rate after each fix over the rate before: {'; '.join(told)}."
        drawing.shown(chart, "Fixes", "fixes", key="fixes", alt=alt)
        pieces.note("Left of the dashed line: fewer faults since. The line through a mark is its exact 95 % limits.")
    sheet.table("Fixes", "fixes", tables.fixes(checks, zone), checks, zone, nothing="No fix is noted.")


def _short(row: dict[str, Any], zone: str) -> Markup:
    at = row["at"].astimezone(ZoneInfo(zone))
    ratio = (
        "" if row["ratio"] is None else "{ratio:.2f} times the rate ({ratio_low:.2f} to {ratio_high:.2f})".format(**row)
    )
    return markup(
        "<b>Last fix: {verdict}</b>{colon}{ratio}; {machine}, {at}: {text}, against {against}",
        verdict=row["verdict"],
        colon=": " if ratio else "",
        ratio=ratio,
        machine=row["machine"],
        at=f"{at:%a} {at.day} {at:%b %Y}",
        text=row["text"],
        against=row["against"],
    )


def _told(row: dict[str, Any], zone: str) -> Markup:
    at = row["at"].astimezone(ZoneInfo(zone))
    return markup(
        "<b>Fix on {machine}, {at}</b>: {text}; against {against}. {said}",
        machine=row["machine"],
        at=f"{at:%a} {at.day} {at:%b %Y}",
        text=row["text"],
        against=row["against"],
        said=row["sentence"],
    )


def _own(rows: pl.DataFrame, of: Scope) -> pl.DataFrame:
    return rows if of.machine is None else rows.filter(machine=of.machine)


# --- what people write ---------------------------------------------------------------------------


def note_one(here: data.Place, of: Scope) -> None:
    """A form for what was done to a machine."""
    site = data.site(here)
    machines = [one.name for one in site.machines]
    pieces.section("Note a fix")
    # Under a new name the form begins empty: what was noted is not noted twice.
    with st.form(f"fix {st.session_state.get(_NOTED, 0)}", border=False):
        one, two, three = st.columns(3, gap="small")
        at = machines.index(of.machine) if of.machine in machines else 0
        machine = one.selectbox("Machine", machines, index=at)
        day = two.date_input("Day", format="YYYY-MM-DD")
        clock = three.time_input("Clock time, if known", value=None, help="Without it that day counts on neither side.")
        text = st.text_input("What was done", placeholder="new liner 38 mm")
        one, two = st.columns(2, gap="small")
        kinds = [RELOAD_FAULTS, *site.cause_groups]
        against = one.selectbox("Against", kinds, index=kinds.index(of.cause) if of.cause in kinds else 0)
        who = two.text_input("Your name", value=st.session_state.get(_WHO) or words.who()) or ""
        why = st.text_input("Why, if it is worth telling")
        if st.form_submit_button("Note it"):
            cause = None if against == RELOAD_FAULTS else against
            when = datetime.combine(day, clock) if clock else day
            made = partial(fix_note, machine, when, text, site, who=who, why=why.strip() or None, cause=cause)
            _write(here, made, f"Noted: {machine}, {text.strip()}.", who)


def take_back(here: data.Place, held: pl.DataFrame, zone: str) -> None:
    """A form for taking back a word that was wrong."""
    if held.is_empty():
        return
    pieces.section("Take one back")
    named = dict(held.sort("at", descending=True).select("note", name=charts.fix_name(zone)).iter_rows())
    with st.form("take back", border=False):
        note = st.selectbox("Fix", list(named), format_func=named.__getitem__)
        who = st.text_input("Your name", value=st.session_state.get(_WHO) or words.who()) or ""
        why = st.text_input("Why")
        if st.form_submit_button("Take it back") and note is not None:
            made = partial(withdrawal, held, note, who=who, why=why.strip() or None)
            _write(here, made, f"Taken back: {named[note]}.", who)
    pieces.note("Nothing is erased: the fix and who took it back both stay in the table of notes.")


def _write(here: data.Place, made: Callable[[], pl.DataFrame], said: str, who: str) -> None:
    """Keep a word, and show the page as it is with it; or say what is missing."""
    if words.keep(here, made):
        st.session_state[_WHO] = who
        st.session_state[_SAID] = said
        st.session_state[_NOTED] = st.session_state.get(_NOTED, 0) + 1
        st.rerun()

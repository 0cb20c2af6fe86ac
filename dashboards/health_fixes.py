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
_MISSING: Final = "missing in"
"""What the form that was sent lacks, until it is shown there."""
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
    held = _own(asks.fixes(here), of)
    # What comes with a fix has places of its own: a browser draws anew all that it pushes down, here the forms.
    with st.container():
        if said := st.session_state.pop(_SAID, None):
            pieces.told([markup("<b>{said}</b>", said=said)])
    with st.container():
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
    key = _keys("fix")
    with st.form(key("form"), border=False):
        one, two, three = st.columns(3, gap="small")
        at = machines.index(of.machine) if of.machine in machines else 0
        one.selectbox("Machine", machines, index=at, key=key("machine"))
        two.date_input("Day", format="YYYY-MM-DD", key=key("day"))
        three.time_input(
            "Clock time, if known", value=None, help="Without it that day counts on neither side.", key=key("clock")
        )
        st.text_input("What was done", placeholder="new liner 38 mm", key=key("text"))
        one, two = st.columns(2, gap="small")
        kinds = [RELOAD_FAULTS, *site.cause_groups]
        at = kinds.index(of.cause) if of.cause in kinds else 0
        one.selectbox("Against", kinds, index=at, key=key("against"))
        two.text_input("Your name", value=st.session_state.get(_WHO) or words.who(), key=key("who"))
        st.text_input("Why, if it is worth telling", key=key("why"))
        # Written before the page is drawn: it is drawn once, with what was noted.
        st.form_submit_button("Note it", on_click=_note, args=(here,))
        _tell_missing("fix")


def _note(here: data.Place) -> None:
    told, site = _filled("fix", "machine", "day", "clock", "text", "against", "who", "why"), data.site(here)
    cause = None if told["against"] == RELOAD_FAULTS else told["against"]
    when = datetime.combine(told["day"], told["clock"]) if told["clock"] else told["day"]
    by = {"who": told["who"] or "", "why": (told["why"] or "").strip() or None}
    made = partial(fix_note, told["machine"], when, told["text"] or "", site, cause=cause, **by)
    _write(here, "fix", made, f"Noted: {told['machine']}, {(told['text'] or '').strip()}.")


def take_back(here: data.Place, held: pl.DataFrame, zone: str) -> None:
    """A form for taking back a word that was wrong."""
    if held.is_empty():
        return
    pieces.section("Take one back")
    named = dict(held.sort("at", descending=True).select("note", name=charts.fix_name(zone)).iter_rows())
    key = _keys("back")
    with st.form(key("form"), border=False):
        st.selectbox("Fix", list(named), format_func=named.__getitem__, key=key("note"))
        st.text_input("Your name", value=st.session_state.get(_WHO) or words.who(), key=key("who"))
        st.text_input("Why", key=key("why"))
        st.form_submit_button("Take it back", on_click=_take_back, args=(here, held, named))
        _tell_missing("back")
    pieces.note("Nothing is erased: the fix and who took it back both stay in the table of notes.")


def _take_back(here: data.Place, held: pl.DataFrame, named: dict[str, str]) -> None:
    told = _filled("back", "note", "who", "why")
    if told["note"] is None:
        return
    by = {"who": told["who"] or "", "why": (told["why"] or "").strip() or None}
    _write(here, "back", partial(withdrawal, held, told["note"], **by), f"Taken back: {named[told['note']]}.")


def _keys(form: str) -> Callable[[str], str]:
    """Names of the boxes of a form. After each word they are new, so that it begins empty."""
    return partial("{} {} {}".format, form, st.session_state.get(_NOTED, 0))


def _filled(form: str, *boxes: str) -> dict[str, Any]:
    """What is in the boxes of a form."""
    key = _keys(form)
    return {box: st.session_state[key(box)] for box in boxes}


def _tell_missing(form: str) -> None:
    if missing := st.session_state.pop(f"{_MISSING} {form}", None):
        words.not_kept(missing)


def _write(here: data.Place, form: str, made: Callable[[], pl.DataFrame], said: str) -> None:
    """Keep a word; or let the form say what is missing."""
    missing = words.kept_or_missing(here, made)
    if missing:
        st.session_state[f"{_MISSING} {form}"] = missing
        return
    st.session_state[_WHO] = _filled(form, "who")["who"]
    st.session_state[_SAID] = said
    st.session_state[_NOTED] = st.session_state.get(_NOTED, 0) + 1

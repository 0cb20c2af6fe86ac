"""One stop: what the log says of it, what happened around it, and the name people give its cause.

The stop is named by the address (`stop=T01 2026-11-23T22:33:22Z`), so that it can be linked to. A name is kept beside
the log's word and can be taken back; nothing is overwritten.
"""

from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import address
import data
import pieces
import polars as pl
import sheet
import streamlit as st
import tables
import words
from streamlit.delta_generator import DeltaGenerator

from runlog.figures.named_causes import names_given
from runlog.figures.stop_around import from_right_before
from runlog.notes import cause_note, in_force, withdrawal

_ALARM_PX: Final = 180


def chosen(stops: pl.DataFrame, zone: str, place: DeltaGenerator) -> dict[str, Any] | None:
    """The stop in the address, None without one; the box has the short ones too, which no mouse hits in the drawing."""
    known = {address.stop_name(row["machine"], row["start"]): row for row in stops.iter_rows(named=True)}
    name = address.one_of(
        address.STOP,
        "Stop",
        ["", *known],
        place,
        default="",
        words=lambda one: _brief(known[one], zone) if one else "Look at a stop",
        unknown="No such stop in this night.",
        bare=True,
        leaves=[address.EARLIER],
    )
    return known.get(name)


def _brief(stop: dict[str, Any], zone: str) -> str:
    return f"{stop['machine']} {stop['start'].astimezone(ZoneInfo(zone)):%H:%M} {stop['cause']}"


def panel(here: data.Place, stop: dict[str, Any], zone: str) -> None:
    """Everything about one stop."""
    left, right = st.columns([20, 31], gap="medium")
    with left:
        pieces.stop_facts(stop, zone)
        _names(here, stop, zone)
    with right:
        _log_around(here, stop, zone)
    st.button(
        "Close this stop", key="close", on_click=address.choose, args=({address.STOP: None, address.EARLIER: None},)
    )


def _log_around(here: data.Place, stop: dict[str, Any], zone: str) -> None:
    events = data.events_around(here, stop["machine"], stop["start"], stop["end"])
    first = from_right_before(events)
    earlier = first.height < events.height and address.switch(address.EARLIER, _from(events["at"][0], zone))
    name = f"events-{stop['machine']}-{stop['start']:%Y%m%dT%H%M%SZ}"
    shown = tables.events(events if earlier else first, zone)
    # Of a column with few words Streamlit sees the empty rows only.
    wide = {"alarm": st.column_config.Column(width=_ALARM_PX)}
    sheet.table("The log around it", name, shown, events, zone, nothing="Nothing in the log around it.", columns=wide)


def _from(at: datetime, zone: str) -> str:
    return f"From {at.astimezone(ZoneInfo(zone)):%H:%M:%S} on"


def _names(here: data.Place, stop: dict[str, Any], zone: str) -> None:
    given = names_given(data.notes(here), stop["machine"], stop["start"], stop["end"])
    for name in given.iter_rows(named=True):
        pieces.note(_told(name, zone))
    if not words.may_write(here):
        return
    standing = given.filter(pl.col("back_by").is_null())
    causes = data.site(here).cause_groups
    # A form of its own: another stop's would come with what was typed for this one.
    with st.form(f"name {address.stop_name(stop['machine'], stop['start'])}", border=False):
        cause = st.selectbox(
            "Its cause",
            list(causes),
            index=list(causes).index(stop["cause"]) if stop["cause"] in causes else None,
            format_func=lambda one: f"{one} · {causes[one]}",
        )
        who, why = st.columns(2)
        by = who.text_input("Who says so", words.who())
        because = why.text_input("Why", placeholder="seen at the machine")
        name_it, take_back = st.columns(2)
        named = name_it.form_submit_button("Name its cause", type="primary", width="stretch")
        back = take_back.form_submit_button("Take the name back", disabled=standing.is_empty(), width="stretch")
    machine, start, because = stop["machine"], stop["start"], because or None
    if named and (cause, by, because) in standing.select("cause", "who", "why").rows():
        # Enter in a box has sent the form before the button did.
        return
    if named and cause is not None:
        kept = words.keep(here, lambda: cause_note(machine, start, cause, data.site(here), who=by, why=because))
    elif back:
        held, name = in_force(data.notes(here)), standing["note"][0]
        kept = words.keep(here, lambda: withdrawal(held, name, who=by, why=because))
    else:
        return
    if kept:
        st.rerun()


def _told(name: dict[str, Any], zone: str) -> str:
    def at(when: datetime) -> str:
        local = when.astimezone(ZoneInfo(zone))
        return f"{local:%a} {local.day} {local:%b %H:%M}"

    why = f": {name['why']}" if name["why"] else ""
    said = f"{name['cause']}, says {name['who']} ({at(name['noted_at'])}){why}"
    if name["back_by"] is None:
        return said
    because = f": {name['back_why']}" if name["back_why"] else ""
    return f"{said}. Taken back by {name['back_by']} ({at(name['back_at'])}){because}"

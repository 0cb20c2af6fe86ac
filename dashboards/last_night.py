"""Last night: which machine to walk to first, why, and what became of the others."""

from datetime import UTC, date, datetime
from typing import Final

import charts
import data
import pieces
import polars as pl
import sheet
import streamlit as st
import tables
import theme
from streamlit.delta_generator import DeltaGenerator

from runlog.figures.headline import headline, slack_words
from runlog.figures.night import NightReview

ALL: Final = "All machines"
# Rows drawn until more are asked for: a drawing of fifty keeps a browser busy.
ROWS: Final = 12


def page(here: data.Place) -> None:
    """Choose a night and a machine, ask for the review, show it."""
    show(here, data.review(here, None))


def show(here: data.Place, latest: NightReview) -> None:
    """The page of the night chosen."""
    top, *controls = st.columns([9, 3, 4, 3, 4], gap="small")
    night = choose_night(latest.nights, *controls[:3])
    review = latest if night == latest.window.night else data.review(here, night)
    machine = choose_machine(review, controls[3])
    words = headline(review, datetime.now(UTC))
    with top:
        pieces.heading(words)
    pieces.lead(words)
    first_screen(here, review, machine, words.machine)
    one_machine(review, machine or review.machines["machine"][0])
    all_tables(review, machine)


# --- choose --------------------------------------------------------------------------------------


def choose_night(nights: list[date], before: DeltaGenerator, pick: DeltaGenerator, after: DeltaGenerator) -> date:
    """The night in the address of the page, the last one without; stepped through or picked."""
    asked = st.query_params.get("night")
    night = next((one for one in nights if one.isoformat() == asked), nights[-1])
    at = nights.index(night)
    before.button("Night before", key="before", on_click=_to, args=(nights[at - 1],), disabled=at == 0, width="stretch")
    last = at + 1 == len(nights)
    to = nights[at if last else at + 1]
    after.button("Night after", key="after", on_click=_to, args=(to,), disabled=last, width="stretch")
    # The address decides; the box only shows it and, when used, changes it.
    st.session_state["night"] = night
    pick.selectbox(
        "Night", nights[::-1], key="night", format_func=_night_words, on_change=_picked, label_visibility="collapsed"
    )
    if asked and night.isoformat() != asked:
        st.text(f"No such night in the log, which has {nights[0]} to {nights[-1]}: this is the last.")
    return night


def choose_machine(review: NightReview, place: DeltaGenerator) -> str | None:
    """The machine in the address of the page, None for all of them."""
    known = sorted(review.machines["machine"])
    asked = st.query_params.get("machine")
    st.session_state["machine"] = asked if asked in known else ALL
    place.selectbox("Machine", [ALL, *known], key="machine", on_change=_filter, label_visibility="collapsed")
    if asked and asked not in known:
        st.text(f"No machine of that name in the log, which has {', '.join(known)}.")
    return asked if asked in known else None


def _night_words(night: date) -> str:
    return f"{night:%a} {night.day} {night:%b %Y}"


def _to(night: date) -> None:
    st.query_params["night"] = night.isoformat()


def _picked() -> None:
    _to(st.session_state["night"])


def _filter() -> None:
    machine = st.session_state["machine"]
    if machine == ALL:
        st.query_params.pop("machine", None)
    else:
        st.query_params["machine"] = machine


# --- show ----------------------------------------------------------------------------------------


def first_screen(here: data.Place, review: NightReview, machine: str | None, first: str | None) -> None:
    """The machines worst first, each beside its night."""
    machines = _filtered(review.machines, machine)
    total = len(machines)
    if not st.session_state.get("all"):
        machines = machines.head(ROWS)
    left, right = st.columns([20, 31], gap="small")
    with left:
        pieces.machine_list(machines, review.window.night.isoformat(), first)
    with right.container(key="drawing"):
        drawing = drawn(here, review.window.night, tuple(machines["machine"]), theme.look(), review)
        st.vega_lite_chart(drawing, theme=None, key="drawing", width="stretch")
    if total > ROWS:
        st.toggle(f"All {total} machines", key="all")


@st.cache_data(max_entries=32, show_spinner=False)
def drawn(here: data.Place, night: date, machines: tuple[str, ...], look: theme.Look, _review: NightReview) -> dict:
    """The drawing's specification: making one takes longer than all the figures in it."""
    # `here` and `night` are there to be part of the cache's key: they say what the review holds.
    return charts.night_drawing(_review, machines, look).to_dict()


def one_machine(review: NightReview, machine: str) -> None:
    """What is known of one machine, and where its planned time went."""
    here = pl.col("machine") == machine
    pieces.section(f"{machine} in detail")
    left, right = st.columns([20, 31], gap="medium")
    with left:
        pieces.machine_facts(review.machines.filter(here).row(0, named=True), review.stops, review.window.zone)
    with right:
        time = review.time.filter(here)
        if time.is_empty():
            pieces.note("No planned time in this night, so none to account for.")
        else:
            st.altair_chart(charts.time_by_cause(time, theme.look()), theme=None, key="time", width="stretch")
            pieces.note(slack_words(review, machine))


def all_tables(review: NightReview, machine: str | None) -> None:
    """Everything as tables, each to take away."""
    sheets = {
        "Machines": ("machines", tables.machines(review), review.machines),
        "Stops": ("stops", tables.stops(review), review.stops),
        "Bar changes": ("reloads", tables.reloads(review), review.reloads),
        "Where time went": ("time", tables.time(review), review.time),
        "What each did when": ("spans", tables.strip(review), review.strip),
    }
    pieces.section("To look up and take away")
    for tab, (title, (name, table, frame)) in zip(st.tabs(list(sheets)), sheets.items(), strict=True):
        with tab:
            shown, figures = _filtered(table, machine), _filtered(frame, machine)
            file = f"{name}-{review.window.night}"
            sheet.table(title, file, shown, figures, review.window.zone, nothing="None in this night.")


def _filtered(frame: pl.DataFrame, machine: str | None) -> pl.DataFrame:
    return frame if machine is None else frame.filter(pl.col("machine") == machine)


sheet.opened(page)

"""Last night: which machine to walk to first, why, and what became of the others."""

from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import partial
from typing import Final

import address
import charts
import data
import drawing
import naming
import pieces
import polars as pl
import sheet
import streamlit as st
import tables
import theme
from streamlit.delta_generator import DeltaGenerator

from runlog.figures.headline import headline, slack_words
from runlog.figures.news import News, news
from runlog.figures.night import NightReview

# Rows drawn until more are asked for: a drawing of fifty keeps a browser busy.
ROWS: Final = 12
# Night before, night, night after, machine, stop: a line on a tablet holds the first three with all their words.
CONTROLS_PX: Final = (124, 160, 116, 150, 212)
# What of a night is gone with it.
OF_A_NIGHT: Final = (address.STOP, address.EARLIER)


def page(here: data.Place) -> None:
    """Choose a night and a machine, ask for the review, show it."""
    latest = data.review(here, None)
    top, controls = st.columns([7, 16], gap="small")
    row = controls.container(horizontal=True, horizontal_alignment="right", gap="small")
    before, pick, after, machines, stops = [row.container(width=width) for width in CONTROLS_PX]
    night = choose_night(latest.nights, before, pick, after)
    review = latest if night == latest.window.night else data.review(here, night)
    machine = address.machine(sorted(review.machines["machine"]), machines)
    stop = naming.chosen(review.stops, review.window.zone, stops)
    with top:
        heading(review)
    words = headline(review, datetime.now(UTC))
    pieces.lead(words)
    # What comes and goes has a place of its own: a browser draws anew all that such a thing pushes down.
    with st.container():
        what_is_new(here, review)
    with st.container():
        if stop is not None:
            pieces.section(f"{stop['machine']} stopped: {stop['cause']}")
            naming.panel(here, stop, review.window.zone)
    first_screen(here, review, machine, words.machine)
    one_machine(review, machine or (stop or review.machines.row(0, named=True))["machine"])
    all_tables(review, machine)


# --- choose --------------------------------------------------------------------------------------


def choose_night(nights: list[date], before: DeltaGenerator, pick: DeltaGenerator, after: DeltaGenerator) -> date:
    """The night in the address of the page, the last one without; stepped through, by key as well, or picked."""
    night = address.one_of(
        "night",
        "Night",
        nights[::-1],
        pick,
        default=nights[-1],
        words=lambda one: f"{one:%a} {one.day} {one:%b %Y}",
        name=date.isoformat,
        unknown=f"No such night in the log, which has {nights[0]} to {nights[-1]}: this is the last.",
        bare=True,
        always=True,
        leaves=OF_A_NIGHT,
    )
    at = nights.index(night)
    steps = (("before", before, nights[max(at - 1, 0)], "B"), ("after", after, (nights + nights[-1:])[at + 1], "A"))
    for name, place, other, key in steps:
        place.button(
            f"Night {name}",
            key=name,
            on_click=_to,
            args=(other,),
            disabled=other == night,
            width="stretch",
            shortcut=key,
        )
    return night


def _to(night: date) -> None:
    address.choose({"night": night.isoformat()} | dict.fromkeys(OF_A_NIGHT))


# --- show ----------------------------------------------------------------------------------------


@st.fragment(run_every=sheet.REFRESH)
def heading(review: NightReview) -> None:
    """Which night, and how old what is shown has become."""
    pieces.heading(headline(review, datetime.now(UTC)))


def what_is_new(here: data.Place, review: NightReview) -> None:
    """What came in while the page was left open, until the next comes in."""
    seen: tuple[data.Place, NightReview, News | None] | None = st.session_state.get("seen")
    if seen is None or seen[1].window.night != review.window.night:
        seen = (here, review, None)
    elif seen[0] != here:
        seen = (here, review, news(seen[1], review))
    st.session_state["seen"] = seen
    if seen[2] is not None and seen[2].sentences:
        pieces.new(seen[2].sentences, seen[2].since)


def first_screen(here: data.Place, review: NightReview, machine: str | None, first: str | None) -> None:
    """The machines worst first, each beside its night."""
    machines, night, view = _filtered(review.machines, machine), review.window.night, address.of_view(machine)
    total = len(machines)
    if not address.is_on(address.ALL):
        machines = machines.head(ROWS)
    left, right = st.columns([20, 31], gap="small")
    with left:
        pieces.machine_list(machines, night, view, first)
    with right.container(key="drawing"):
        names, look = tuple(machines["machine"]), theme.look()
        chart = data.kept(data.of_causes(here), drawn, night, names, look, view)
        alone = charts.with_names(chart, names, look)
        said = charts.night_said(machines)
        drawing.shown(chart, "The night", f"night-{night}", key="drawing", alt=said, alone=alone)
    if total > ROWS:
        address.switch(address.ALL, f"All {total} machines")


def drawn(here: data.Place, night: date, machines: tuple[str, ...], look: theme.Look, view: address.View) -> dict:
    """The drawing's specification: making one takes longer than all the figures in it."""
    return charts.night_drawing(data.review(here, night), machines, look, view)


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
            chart, said = charts.time_by_cause(time, theme.look()), charts.time_said(machine, time)
            drawing.shown(chart, "Where time went", f"where-time-went-{review.window.night}", key="time", alt=said)
            pieces.note(slack_words(review, machine))


def all_tables(review: NightReview, machine: str | None) -> None:
    """Everything as tables, each to take away."""
    sheets = {
        "Machines": ("machines", tables.machines, review.machines),
        "Stops": ("stops", tables.stops, review.stops),
        "Bar changes": ("reloads", tables.reloads, review.reloads),
        "Where time went": ("time", tables.time, review.time),
        "What each did when": ("spans", tables.strip, review.strip),
        "Parts over the clock": ("parts", tables.line, review.line),
    }
    pieces.section("To look up and take away")
    sheet.tabs({title: partial(table_of, review, machine, title, *one) for title, one in sheets.items()})


def table_of(
    review: NightReview, machine: str | None, title: str, name: str, told: Callable, frame: pl.DataFrame
) -> None:
    """One of them, of one machine if one is chosen."""
    shown, figures = _filtered(told(review), machine), _filtered(frame, machine)
    file = f"{name}-{review.window.night}"
    sheet.table(title, file, shown, figures, review.window.zone, nothing="None in this night.")


def _filtered(frame: pl.DataFrame, machine: str | None) -> pl.DataFrame:
    return frame if machine is None else frame.filter(pl.col("machine") == machine)


sheet.opened(page)

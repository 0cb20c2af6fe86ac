"""Tonight: how far each machine is likely to get with what is loaded, what more to load, and what to fix first."""

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial
from typing import Final
from zoneinfo import ZoneInfo

import address
import data
import drawing
import pieces
import polars as pl
import sheet
import streamlit as st
import theme
import tonight_charts
import tonight_job
import tonight_plan
from streamlit.delta_generator import DeltaGenerator

from runlog.errors import RunlogError
from runlog.figures.planning import next_start, start_of
from runlog.figures.tonight import Past, Tonight, past_nights, running_now, tonight_review
from runlog.night_plans import NIGHT_PLAN
from runlog.report import rollups
from runlog.report import tonight as told

# Machines drawn; the table has them all. (A page shows a bare text, so this is none.)
ROWS: Final = 12


def page(here: data.Place) -> None:
    """What is loaded, from the address; what is to be expected of it; and room to change it."""
    here = data.of_causes(here)
    site, now = data.site(here), datetime.now(UTC)
    top, box = st.columns([15, 4], gap="small")
    begin = start(here, box, now)
    # Which job a machine runs is the log's to say: names of causes leave it.
    base = data.kept(data.of_log(here), as_taken, begin)
    plan, problems = tonight_plan.with_address(base, st.query_params.get("plan"), site)
    review = forecast(here, plan, now)
    with top:
        pieces.title("Tonight", told.heading(review), *problems)
    lead(review)
    pieces.small(" ".join(review.cautions))
    window = tonight_charts.window_of(review)
    known = review.machines.filter(pl.col("reach").is_not_null())
    if window is not None and known.height:
        left, right = st.columns([20, 31], gap="medium")
        with left:
            machines(review)
        with right:
            picture(review, known["machine"].head(ROWS).to_list(), window)
    else:
        machines(review)
    loaded(here, base, plan, review, now)
    left, right = st.columns(2, gap="medium")
    with left:
        parts(known)
    with right:
        fix_first(review)
    tonight_job.shown(here, now, begin)
    believe(review)
    tables(review)


def start(here: data.Place, box: DeltaGenerator, now: datetime) -> datetime:
    """When the night begins: as the address says, else with the next unattended shift."""
    site = data.site(here)
    asked = st.query_params.get("start")
    try:
        begin = start_of(asked, site, now) if asked else next_start(site, now)
    except RunlogError:
        begin = next_start(site, now)
        expected = f"{begin.astimezone(site.zone):%Y-%m-%dT%H:%M}"
        st.text(f"Start: a local time such as {expected} expected, which is that of the next unattended shift.")
    st.session_state["start"] = f"{begin.astimezone(site.zone):%Y-%m-%dT%H:%M}"
    box.text_input(
        "Start, local", key="start", on_change=lambda: address.to("start", st.session_state["start"] or None)
    )
    return begin


def as_taken(here: data.Place, begin: datetime) -> pl.DataFrame:
    """Every machine with the job it runs and a full magazine (NIGHT_PLAN)."""
    return running_now(data.facts(here), begin).select(NIGHT_PLAN.names()).sort("machine")


def past(here: data.Place) -> Past:
    """What the nights so far say: the same for every plan."""
    return past_nights(data.facts(here), data.site(here))


def forecast(here: data.Place, plan: pl.DataFrame, now: datetime) -> Tonight:
    """The forecast of a plan, asked once for each."""
    return data.kept(here, forecast_of, plan.write_json(), now.replace(minute=0, second=0, microsecond=0))


def forecast_of(here: data.Place, plan: str, now: datetime) -> Tonight:
    """The same; a plan as text, so that it can be looked up."""
    rows = pl.read_json(plan.encode(), schema=NIGHT_PLAN)
    known = data.kept(here, past)
    return tonight_review(data.facts(here), data.site(here), now, plan=rows, past=known)


# --- show ----------------------------------------------------------------------------------------


def lead(review: Tonight) -> None:
    """The machine most at risk, and all of them together."""
    first = review.machines.row(0, named=True) if review.machines.height else None
    rest = [told.shop_words(review.shop), *review.notes]
    if first is None or first["reach"] is None:
        pieces.large("Nothing to forecast from yet", "", " ".join(filter(None, rest)))
        return
    said = f"{first['machine']} is most at risk: {100 * first['reach']:.0f} % to get through"
    pieces.large(said, first["job"], " ".join(filter(None, rest)))


def machines(review: Tonight) -> None:
    """Each machine in words, the one most at risk on top."""
    pieces.section("Machine by machine")
    rows = review.machines.head(ROWS).iter_rows(named=True)
    lines = [(f"{row['machine']}, {row['job']}", [row["finding"], *(row["notes"] or "").splitlines()]) for row in rows]
    for name, said in lines:
        pieces.sentences(name, said)
    if review.machines.height > ROWS:
        pieces.note(f"{review.machines.height - ROWS} more in the table below.")


def picture(review: Tonight, names: list[str], window: tonight_charts.Window) -> None:
    """Chance of being at work over the clock."""
    pieces.section("Chance to be still at work")
    ends = review.machines.filter(pl.col("machine").is_in(names)).select("machine", "reach").rows()
    said = "Chance to be still at work over the night. " + "; ".join(
        f"{name} {100 * one:.0f} % at its planned end" for name, one in ends
    )
    rows = review.machines.filter(pl.col("machine").is_in(names))
    hours = review.shop.hours if review.shop else None
    with st.container(key="drawing-at-work"):
        chart = tonight_charts.at_work(rows, hours, window, theme.look())
        drawing.shown(chart, "Chance to be at work", "tonight-at-work", key="at work", alt=said)


def loaded(here: data.Place, base: pl.DataFrame, plan: pl.DataFrame, review: Tonight, now: datetime) -> None:
    """What is loaded, to be changed; what a change does; the list to take away."""
    pieces.section("What is loaded")
    pieces.note(
        "Change a job or a number and everything above follows. Bars: in the magazine, the one in the spindle left "
        "out; empty, it is taken as full. Left: parts left on the bar in the spindle."
    )
    site = data.site(here)
    worth = review.machines.select("machine", "bars_held", "bars_worth")
    st.data_editor(
        plan.select("machine", "job", "bars", "parts_left").join(
            worth, on="machine", how="left", maintain_order="left"
        ),
        key="loaded",
        on_change=_edited,
        args=(base, plan),
        hide_index=True,
        disabled=["machine", "bars_held", "bars_worth"],
        width="stretch",
        placeholder="",
        column_config={
            "job": st.column_config.SelectboxColumn("job", options=[job.name for job in site.jobs], required=True),
            "bars": st.column_config.NumberColumn("bars", min_value=0, max_value=9999, step=1),
            "bars_held": st.column_config.NumberColumn("a full magazine holds"),
            "bars_worth": st.column_config.NumberColumn("bars worth loading"),
            "parts_left": st.column_config.NumberColumn("left [parts]", min_value=0, max_value=9999, step=1),
        },
    )
    # What comes and goes has a place of its own: a browser draws anew all that such a thing pushes down.
    with st.container():
        if tonight_plan.as_address(base, plan) is not None:
            pieces.sentences("What that changes", told.differences(forecast(here, base, now), review))
            st.button("As it was", on_click=address.to, args=("plan", None))
    sheet.take_away("This list", "tonight-plan", tonight_plan.as_file(plan, review.zone), review.zone)


def _edited(base: pl.DataFrame, plan: pl.DataFrame) -> None:
    """Put what was changed into the address, before the page is drawn."""
    changes = {int(row): told for row, told in st.session_state["loaded"]["edited_rows"].items()}
    address.to("plan", tonight_plan.as_address(base, tonight_plan.with_changes(plan, changes)))


def parts(known: pl.DataFrame) -> None:
    """Parts with their range."""
    pieces.section("Parts by the morning")
    if known.is_empty():
        pieces.note("Not forecast.")
        return
    said = "Parts of each machine: average and the range of four nights of five"
    chart = tonight_charts.parts(known.head(ROWS), theme.look())
    drawing.shown(chart, "Parts by the morning", "tonight-parts", key="parts", alt=said)
    pieces.note(
        "Many nights end alike and some end early: the average can lie below the narrowest range that holds four of "
        "five."
    )


def fix_first(review: Tonight) -> None:
    """Causes by the parts they cost a night."""
    pieces.section("What to fix first")
    if review.fixes.is_empty():
        pieces.note("Nothing to go by yet.")
        return
    said = f"Parts gained a night without each cause; most without {review.fixes['cause'][0]}"
    chart = tonight_charts.fixes(review.fixes, theme.look())
    drawing.shown(chart, "What to fix first", "tonight-what-to-fix-first", key="fixes", alt=said)


def believe(review: Tonight) -> None:
    """How good such forecasts have been."""
    pieces.section("Is that to be believed")
    for line in told.check_words(review.check):
        pieces.note(line)


def tables(review: Tonight) -> None:
    """Everything as tables, each to take away."""
    zone = review.zone
    sheets = {
        "Machines": (review.machines, told.columns(ZoneInfo(zone))),
        "What to fix first": (review.fixes, told.FIXES),
        "Past nights": (review.check.classes, told.CLASSES),
    }
    if review.shop:
        sheets["Chance over the clock"] = (review.shop.hours, told.hours_columns(ZoneInfo(zone)))
    pieces.section("To look up and take away")
    sheet.tabs({title: partial(table_of, title, *one, zone) for title, one in sheets.items()})


def table_of(title: str, frame: pl.DataFrame, columns: Sequence[rollups.Column], zone: str) -> None:
    """One of them; machines of which nothing can be said are in the files alone."""
    able = frame.filter(pl.col("reach").is_not_null()) if "reach" in frame.columns else frame
    name = f"tonight-{title.lower().replace(' ', '-')}"
    sheet.table(title, name, rollups.as_read(able, columns), frame, zone, nothing="None.")


sheet.opened(page)

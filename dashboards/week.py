"""The week: what was made of the plan, where the rest went, what changed, and who does what about it."""

from collections.abc import Sequence
from datetime import UTC, datetime
from functools import partial
from typing import Final

import address
import data
import drawing
import pieces
import polars as pl
import sheet
import streamlit as st
import theme
import week_charts
import week_notes
import week_tiles

from runlog.figures.cutting import idle_thresholds
from runlog.figures.losses import Rank
from runlog.figures.period import Period, Week, period_of, reach_of, weeks_of
from runlog.figures.week import Near, WeekReview, held_near_weeks, week_review
from runlog.report import rollups
from runlog.report.week import plant_words

RANKS: Final[dict[Rank, str]] = {"time": "by time", "count": "by number of stops", "parts": "by parts"}
RANKS_IN_ORDER: Final = list(RANKS)
MOST_SENTENCES: Final = 8


def page(here: data.Place) -> None:
    """Choose a week and a machine, ask for the review, show it on what fits a printed sheet."""
    told = data.of_causes(here)
    known = data.kept(told, weeks)
    top, *boxes = st.columns([11, 4, 4], gap="small")
    week = address.one_of(
        "week",
        "Week",
        [one.name for one in reversed(known)],
        boxes[0],
        default=next((one.name for one in reversed(known) if one.whole), known[-1].name),
        unknown=f"No such week in the log, which has {known[0].name} to {known[-1].name}.",
        bare=True,
        always=True,
    )
    names = [one.name for one in data.site(here).machines]
    machine = address.machine(names, boxes[1])
    review = data.kept(told, reviewed, week, machine)
    with top:
        pieces.title(f"Week {week}", rollups.heading(review.period).removeprefix(f"Week {week}, "))
    lead(review)
    left, right = st.columns([31, 20], gap="medium")
    with left:
        from_plan_to_made(review)
    later = right.container()
    left, right = st.columns([31, 20], gap="medium")
    with left:
        machines(review)
    with right:
        losses(review)
    shift_by_shift(review)
    left, right = st.columns([20, 31], gap="medium")
    with left:
        remnants(review)
    with right:
        changeovers(review)
    week_notes.shown(here, review.period, machine)
    # Last, as a browser draws all else while this is found.
    with later:
        what_changed(review)
    tables(review, data.site(here).site.currency)


def weeks(here: data.Place) -> list:
    """The weeks the log speaks of."""
    return weeks_of(data.facts(here), data.site(here))


def reviewed(here: data.Place, week: str, machine: str | None) -> WeekReview:
    """The review of a week."""
    period = data.kept(here, period_named, week)
    return week_review(
        data.facts(here),
        data.site(here),
        datetime.now(UTC),
        week=period,
        machine=machine,
        before=data.reported(here),
        problems=data.kept(data.of_log(here), data.scrap_problems_of),
        thresholds=data.kept(here, thresholds),
        near=data.kept(here, near, next(month_of(one) for one in data.kept(here, weeks) if one.name == week)),
    )


def period_named(here: data.Place, week: str) -> Period:
    """The days of a week, and how far the log reaches."""
    known = {"weeks": data.kept(here, weeks), "reach": data.kept(here, reach)}
    return period_of(data.facts(here), data.site(here), week=week, **known)


def reach(here: data.Place) -> tuple[datetime, datetime]:
    """First and last instant of the log."""
    return reach_of(data.facts(here))


def near(here: data.Place, month: int) -> Near:
    """What reviews of the weeks of a month read, whatever machine is chosen."""
    names = [one.name for one in data.kept(here, weeks) if month_of(one) == month]
    return held_near_weeks(data.facts(here), *(data.kept(here, period_named, names[end]) for end in (0, -1)))


def month_of(week: Week) -> int:
    """Number of the four weeks of which this is one: who looks at one of them looks at the others, too."""
    return week.monday.toordinal() // 28


def thresholds(here: data.Place) -> pl.DataFrame:
    """Above which load spindles cut, of all machines."""
    return idle_thresholds(data.facts(here)["shift_loads"]).collect()


# --- show ----------------------------------------------------------------------------------------


def lead(review: WeekReview) -> None:
    """What was made of the plan, in one line."""
    row = review.plant.row(0, named=True)
    if row["planned_parts"] is None:
        said = f"{row['parts']} parts made, no plan"
    else:
        said = f"{row['parts']} of {row['planned_parts']:.0f} planned parts made"
    pieces.large(said, "", plant_words(row))


def from_plan_to_made(review: WeekReview) -> None:
    """The loss account as a staircase."""
    pieces.section(
        "From plan to good parts" if review.account["good_parts"][0] is not None else "From plan to parts made"
    )
    if review.steps.is_empty():
        pieces.note("No plan in this week, so no loss against one; the losses by time stand below.")
        return
    said = "; ".join(f"{step}: {parts:.0f} parts" for step, parts in review.steps.select("step", "parts").rows())
    alt = f"From planned to made parts. {said}"
    chart = week_charts.staircase(review.steps, theme.look())
    drawing.shown(chart, "From plan to made", f"from-plan-to-made-{review.period.week}", key="staircase", alt=alt)


def what_changed(review: WeekReview) -> None:
    """What is more than chance, against the weeks before and over the last quarter, and what was corrected."""
    pieces.section("What changed")
    more = review.changes.filter(pl.col("verdict").is_in(["higher", "lower"]))["said"].to_list()
    few = (review.changes["verdict"] == "too few weeks to tell").all()
    weeks = "too few whole weeks before it to tell" if few else "nothing beyond chance"
    pieces.sentences("Against the weeks before", more[:MOST_SENTENCES] or [weeks])
    moving = review.trends.filter(pl.col("verdict").is_in(["rising", "falling", "stepped"]))["said"].to_list()
    pieces.sentences("Shift by shift, up to 13 weeks", moving[:MOST_SENTENCES] or ["no change beyond chance"])
    if more[MOST_SENTENCES:] or moving[MOST_SENTENCES:]:
        pieces.note("There is more in the tables below.")
    if review.changed.height:
        said = [
            f"{machine}, {day:%a} {day.day} {day:%b}, {shift}: {what}"
            for machine, day, shift, what in review.changed.select("machine", "shift_date", "shift", "what").rows()
        ]
        pieces.sentences("Shifts that differ from when the week was last told", said[:MOST_SENTENCES])


def machines(review: WeekReview) -> None:
    """Each machine beside its plan."""
    pieces.section("Machines")
    pieces.grid(review.machines, rollups.shift_columns(["machine"]))
    if doubts := rollups.doubts(review.machines, ["machine"]):
        pieces.note(" ".join(doubts))


def losses(review: WeekReview) -> None:
    """Losses ranked by time, count or parts."""
    pieces.section("Losses")
    place = st.container()
    rank = address.one_of("rank", "Ranked", RANKS_IN_ORDER, place, default="time", words=RANKS.__getitem__, bare=True)
    ranked = review.ranked[rank]
    if ranked.is_empty():
        pieces.note("Nothing was lost." if rank == "time" else "Nothing to rank so.")
        return
    first = rollups.loss_name(ranked.row(0, named=True))
    said = f"Losses {RANKS[rank]}, worst first: {first} leads"
    chart = week_charts.losses(ranked, rank, theme.look())
    drawing.shown(chart, "Losses", f"losses-by-{rank}-{review.period.week}", key="losses", alt=said)


def shift_by_shift(review: WeekReview) -> None:
    """Every machine and shift in one picture."""
    if review.by_shift.is_empty():
        return
    pieces.section("Shift by shift: parts made of those planned [%]")
    worst = review.by_shift.sort("plan_attainment", nulls_last=True).row(0, named=True)
    least = f"least: {worst['machine']}, {worst['shift_date']:%a} {worst['shift_date'].day} {worst['shift']}"
    said = "The darker, the fewer; " + ("no shift has a plan" if worst["plan_attainment"] is None else least)
    drawn = week_charts.of_shifts(review.by_shift)
    theme.write(week_tiles.table(drawn, said))
    chart = week_charts.shifts(drawn, theme.look())
    drawing.pictures(chart, "Shift by shift", f"shifts-{review.period.week}", key="shifts")


def remnants(review: WeekReview) -> None:
    """Remnant waste by material beside its plan."""
    pieces.section("Remnants")
    if not review.bars["remnant_share"].count():
        pieces.note("No bar ended whose stock is known: not measured.")
        return
    said = "Remnant share of stock by material beside the plan"
    chart = week_charts.remnants(review.bars, theme.look())
    drawing.shown(chart, "Remnants", f"remnants-{review.period.week}", key="remnants", alt=said)


def changeovers(review: WeekReview) -> None:
    """Changeovers by what changed."""
    pieces.section("Changeovers")
    if review.changeovers.is_empty():
        pieces.note("None began this week.")
        return
    pieces.grid(review.changeovers, rollups.changeover_columns([])[:7])


def tables(review: WeekReview, currency: str) -> None:
    """Everything as tables, each to take away."""
    zone, week = review.period.zone, review.period.week
    told = {
        "Machines": (review.machines, rollups.shift_columns(["machine"])),
        "Shifts": (review.by_shift, rollups.shift_columns(["shift_date", "shift", "machine"])),
        "Losses": (review.losses, rollups.loss_columns([])),
        "Bars": (review.bars, rollups.stock_columns(["material"], currency)),
        "Short bars": (review.short, rollups.short_columns(zone)),
        "Changeovers": (review.changeovers, rollups.changeover_columns([])),
        "Against the weeks before": (review.changes, [("what", rollups.text("said"))]),
        "Trends": (review.trends, [("what", rollups.text("said"))]),
    }
    with st.container(key="tables"):
        pieces.section("To look up and take away")
        sheet.tabs({title: partial(table_of, title, *one, week, zone) for title, one in told.items()})


def table_of(title: str, frame: pl.DataFrame, columns: Sequence[rollups.Column], week: str, zone: str) -> None:
    """One of them."""
    name = f"{title.lower().replace(' ', '-')}-{week}"
    sheet.table(title, name, rollups.as_read(frame, columns), frame, zone, nothing="None this week.")


sheet.opened(page)

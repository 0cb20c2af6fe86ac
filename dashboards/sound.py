"""Is the data sound: for whoever doubts a number. What is wrong first, then where every number comes from."""

from typing import Final

import address
import data
import drawing
import pieces
import polars as pl
import sheet
import sound_asks as asks
import sound_tables as tables
import streamlit as st
import theme
from sound_codes import codes

from runlog.errors import RunlogError
from runlog.figures.soundness import Days, Finding, findings, sources
from runlog.status import Status

PERIODS: Final = {7: "Last 7 days", 28: "Last 4 weeks", 91: "Last 13 weeks", asks.MOST_DAYS: "Last 52 weeks"}
DEFAULT: Final = 28
# Days from which a tile is a week.
BY_WEEK_FROM: Final = 92
# Days whose events are looked through for clock steps.
STEPS_UP_TO: Final = 28
# Machines drawn until more are asked for.
ROWS: Final = 16
# Rows of a long table; the file to take away has all.
SHOWN: Final = 200


def page(here: data.Place) -> None:
    """What is wrong first; then sources, coverage, codes, gaps, rejects, and what no log tells."""
    status = asks.status(here)
    try:
        site = data.site(here)
    except RunlogError as error:
        without_facts(here, status, "The site file cannot be read", str(error), status.at.tzname() or "UTC")
        return
    try:
        data.kept(here, asks.days, DEFAULT)
    except RunlogError as error:
        without_facts(here, status, "No facts yet", str(error), site.site.time_zone)
        return
    whole(here, status, site.site.time_zone)


def whole(here: data.Place, status: Status, zone: str) -> None:
    """The page over facts."""
    top, control = st.columns([9, 4], gap="small")
    number = address.one_of(
        "days",
        "Days",
        list(PERIODS),
        control,
        default=DEFAULT,
        words=PERIODS.__getitem__,
        unknown=f"No such number of days, these are the {PERIODS[DEFAULT].lower()}.",
    )
    days = data.kept(here, asks.days, number)
    with top:
        heading(days)
    rows = asks.sources(here)
    found = findings(
        status.problems,
        rows,
        data.kept(here, asks.machine_coverage, number),
        data.kept(here, asks.remarks, number),
        data.kept(here, asks.unmapped, number),
        zone=zone,
        watched=status.life == "running",
        current=data.kept(here, asks.current),
    )
    verdict(found)
    where_from(rows, status, zone)
    how_much(here, number, days)
    codes(here, number, days, status)
    gaps_and_clocks(here, number, days)
    refused(here, zone)
    not_told(here, number, zone)


def without_facts(here: data.Place, status: Status, what: str, why: str, zone: str) -> None:
    """What can be said where the site file or the facts are missing."""
    pieces.sentence(what, *why.splitlines())
    where_from(sources(data.kept(here, asks.progress).lazy(), status.at), status, zone)
    refused(here, zone)


# --- the verdict ---------------------------------------------------------------------------------


def heading(days: Days) -> None:
    """Which days."""
    first, last = (f"{one:%a} {one.day} {one:%b %Y}" for one in (days.first, days.last))
    pieces.title("Is the data sound", f"{first} to {last}, the end of the log, {days.zone}")


def verdict(found: list[Finding]) -> None:
    """Sound, or what is wrong, the gravest first."""
    grave = sum(one.grave for one in found)
    notes = "1 remark" if len(found) - grave == 1 else f"{len(found) - grave} remarks"
    if grave:
        first, rest = found[0], found[1:]
        more = "nothing else" if grave == 1 else f"{grave - 1} more"
        lead, why, count = first.what, first.why, f"To look at: this and {more}; {notes}."
    else:
        lead, why, rest = "Sound", "", found
        count = f"Nothing found that makes figures wrong or leaves some out; {notes}."
    pieces.large(lead, why, count)
    pieces.listed(
        ("look at" if one.grave else "remark", f"{one.what}: {one.why}" if one.why else one.what) for one in rest
    )


# --- sources and coverage ------------------------------------------------------------------------


def where_from(rows: pl.DataFrame, status: Status, zone: str) -> None:
    """Files, last event, lag and rejects by source, and the watcher."""
    pieces.section("Sources")
    for line in status.watcher_in_words():
        pieces.note(line[:1].upper() + line[1:])
    nothing = "No file has been read yet."
    sheet.table("Sources", "sources", tables.sources(rows, zone), rows, zone, nothing=nothing)


def how_much(here: data.Place, number: int, days: Days) -> None:
    """Share of planned time with a signal."""
    every = "1d" if number < BY_WEEK_FROM else "1w"
    told = data.kept(here, asks.coverage, number, every)
    machines = data.kept(here, asks.machine_coverage, number)
    pieces.section("Coverage: share of planned time with a signal")
    if told["coverage"].drop_nulls().is_empty():
        pieces.note("Nothing was planned in these days, so there is nothing to cover.")
        return
    names = machines["machine"].to_list()
    shown = names if address.is_on("coverage-all") else names[:ROWS]
    chart = data.kept(here, asks.coverage_strip, number, every, tuple(shown), theme.look())
    drawing.shown(chart, "Coverage", "coverage", key="coverage strip", alt=tables.coverage_words(told, days))
    if len(names) > ROWS:
        address.switch("coverage-all", f"All {len(names)} machines")
    step = "day" if every == "1d" else "week, from Monday"
    pieces.note(
        f"A tile is a {step}, the machine with the least signal on top. Plain: enough. Outlined, with the share "
        "covered in % where there is room: below the machine's limit (coverage_flag in the site file). None: nothing "
        "planned."
    )
    sheet.table("Coverage", "coverage", tables.coverage(machines), machines, days.zone, nothing="")


# --- gaps and clocks -----------------------------------------------------------------------------


def gaps_and_clocks(here: data.Place, number: int, days: Days) -> None:
    """What is missing for sure, what files said of their clocks, and what nobody keeps."""
    gaps = data.kept(here, asks.gaps, number)
    remarks = data.kept(here, asks.remarks, number)
    pieces.section("Gaps and clocks")
    sheet.table(
        "Remarks",
        "remarks",
        tables.remarks(remarks, days.zone),
        remarks,
        days.zone,
        nothing="No file of these days was remarked on: no sequence missing, no agent begun anew, no stamps moved.",
    )
    if len(gaps):
        hours = gaps["seconds"].sum() / 3600
        longest = f", the {SHOWN} longest below" if len(gaps) > SHOWN else ""
        pieces.note(f"Stretches without signal: {len(gaps):,}, together {hours:,.1f} h{longest}.")
    sheet.table(
        "Gaps",
        "gaps",
        tables.gaps(gaps.head(SHOWN), days.zone),
        gaps,
        days.zone,
        nothing="No stretch without signal in these days.",
    )
    clock_steps(here, number, days)
    pieces.note(
        "Kept of a file when it is read: sequences an agent lost, an agent that began anew, lines written newest "
        "first, and how far stamps were moved where two clocks write one file. Not kept: clocks that step back, which "
        "only the events show; clocks that step forward, which look like silence; what a control never wrote down."
    )


def clock_steps(here: data.Place, number: int, days: Days) -> None:
    """Steps of the clocks, looked for when asked: they take a look at every event."""
    if number > STEPS_UP_TO:
        pieces.note(f"Clocks that step back are looked for in {STEPS_UP_TO} days at most: choose fewer days above.")
        return
    if not address.switch("clock-steps", "Look for clocks that step back (reads the events of these days)"):
        return
    with st.spinner("Reading the events of these days"):
        steps = data.kept(here, asks.clock_steps, number)
    if len(steps) > SHOWN:
        pieces.note(f"{len(steps):,} steps back, the {SHOWN} furthest below.")
    sheet.table(
        "Clock steps",
        "steps",
        tables.clock_steps(steps.head(SHOWN), days.zone),
        steps,
        days.zone,
        nothing="No clock stepped back by more than a minute within a file.",
    )


# --- rejects -------------------------------------------------------------------------------------


def refused(here: data.Place, zone: str) -> None:
    """What could not be read, by reason and one by one; its text is shown as text."""
    reasons = data.kept(here, asks.reasons)
    pieces.section("Rejects: what could not be read")
    if reasons.is_empty():
        pieces.note("Nothing was rejected.")
        return
    chart = data.kept(here, asks.reject_bars, theme.look())
    drawing.shown(chart, "Rejects by reason", "rejects-by-reason", key="reject bars", alt=tables.reason_words(reasons))
    sheet.table("Reasons", "reasons", tables.reasons(reasons, zone), reasons, zone, nothing="")
    newest, total = data.kept(here, asks.newest, SHOWN), reasons["rejects"].sum()
    count = f"All {total:,}" if total <= len(newest) else f"The newest {len(newest)} of {total:,}"
    pieces.note(
        f"{count}, of all that was ever read. The files to take away have {asks.TAKEN:,} at most, with their whole "
        "text; `runlog rejects --to rejects.csv` writes all."
    )
    rows = newest if total <= len(newest) else data.kept(here, asks.newest, asks.TAKEN)
    sheet.table("Rejects", "rejects", tables.rejects(newest, zone), rows, zone, nothing="")


# --- what a log tells ----------------------------------------------------------------------------


def not_told(here: data.Place, number: int, zone: str) -> None:
    """Which figures rest on what a log tells, and which cannot."""
    rows = data.kept(here, asks.tells, number)
    pieces.section("What each machine's log cannot tell")
    if rows.is_empty():
        pieces.note("The site file names no machine, and no log told of one.")
        return
    names = rows["machine"].unique(maintain_order=True).to_list()
    shown = names if address.is_on("tells-all") else names[:ROWS]
    chart = data.kept(here, asks.tells_matrix, number, tuple(shown), theme.look())
    drawing.shown(chart, "What logs tell", "what-logs-tell", key="tells", alt=tables.tells_words(rows))
    if len(names) > ROWS:
        address.switch("tells-all", f"All {len(names)} machines")
    pieces.note("● told by the log   ◇ inferred from something else   × not in the log   – does not apply")
    nothing = "Every log tells all that figures need."
    sheet.table("Not told", "not-told", tables.lacking(rows), rows, zone, nothing=nothing)


sheet.opened(page)

"""Reload health: what keeps failing, since when, and whether a fix worked."""

from datetime import date
from functools import partial
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import data
import drawing
import health_asks as asks
import health_charts as charts
import health_choice as choice
import health_drawn as drawn
import health_fixes
import health_tables as tables
import pieces
import polars as pl
import sheet
import streamlit as st
from health_asks import Judged, Scope
from theme import Markup, markup

from runlog.figures.fault_pattern import CLOCKS, PLANT
from runlog.figures.findings import Finding, mended_words, name_of
from runlog.figures.pattern_words import pattern_words
from runlog.figures.reload_durations import ALL_JOBS

# So many verdicts in words on top, and newest faults of a group; tables have all.
_TOLD = 3


def page(here: data.Place) -> None:
    """What is chronic in one line, then the part that is asked for."""
    top = st.container()
    of, by = choose(here)
    told = asks.judged(here, of)
    with top:
        first_screen(here, of, told)
    part = choice.part()
    if part == choice.RATES:
        rates(here, of, told, by)
    elif part == choice.OVER_TIME:
        over_time(here, of)
    elif part == choice.DURATIONS:
        durations(here, of)
    elif part == choice.FIXES:
        health_fixes.show(here, of)
    else:
        alarms(here, of)


def choose(here: data.Place) -> tuple[Scope, str]:
    """The boxes, and what they say."""
    places = st.columns([5, 4, 4, 4, 4], gap="small")
    of = choice.scope(asks.causes(here), asks.machines(here), places[:4])
    return of, choice.dimension(of, places[4])


# --- in one glance -------------------------------------------------------------------------------


def first_screen(here: data.Place, of: Scope, told: Judged) -> None:
    """What is chronic, in words, and what became of the last fix."""
    zone = data.site(here).site.time_zone
    pieces.title("Reload health" + (f" of {of.machine}" if of.machine else ""), _when(told, zone))
    pieces.large(told.lead.lead, told.lead.why, told.lead.rest)
    lines = [_finding(of, one) for one in told.found[:_TOLD]]
    if len(told.found) > _TOLD:
        more = len(told.found) - _TOLD
        stand = "stands out: it is" if more == 1 else "stand out: they are"
        lines.append(markup("{more} more {stand} below, by kind of group.", more=more, stand=stand))
    lines += health_fixes.newest(here, of, zone)
    if told.mended.height:
        words = mended_words(told.mended, zone)
        rest = [f"{len(words) - _TOLD} more machines likewise."] if len(words) > _TOLD else []
        lines.append(markup("<small>{said}</small>", said=" ".join([*words[:_TOLD], *rest])))
    if lines:
        pieces.told(lines)


def _when(told: Judged, zone: str) -> str:
    if told.first is None or told.last is None:
        return "nothing in the log of this time"
    first, last = (at.astimezone(ZoneInfo(zone)) for at in (told.first, told.last))
    days = f"{first:%a} {first.day} {first:%b %Y} to {last:%a} {last.day} {last:%b %Y}"
    return f"{days}, {zone}"


def _finding(of: Scope, one: Finding) -> Markup:
    shown = markup('<a href="?{to}" target="_self">show them</a>', to=urlencode(_address(of, one.row)))
    pair = markup("<small>Inside it {name}: {said}</small>", name=name_of(one.pair), said=one.pair["sentence"]) if (
        one.pair) else Markup()  # fmt: skip
    same = one.same_as_pair if one.pair else one.same
    alike = markup("<small>Not to be told apart from {same}.</small>", same=", ".join(same)) if same else Markup()
    return markup(
        "<b>{verdict}</b> {name}: {said} {shown}{pair}{alike}",
        verdict=one.verdict.capitalize(),
        name=one.name,
        said=one.row["sentence"],
        shown=shown,
        pair=pair,
        alike=alike,
    )


def _address(of: Scope, row: dict[str, Any]) -> dict[str, str]:
    """The same page with that group chosen."""
    told = {
        "cause": None if of.of_reloads else of.cause,
        "machine": of.machine,
        "from": of.first,
        "to": of.last,
        "by": row["dimension"],
        "group": row["group"],
    }
    return {name: str(value) for name, value in told.items() if value is not None}


# --- rates ---------------------------------------------------------------------------------------


def rates(here: data.Place, of: Scope, told: Judged, by: str) -> None:
    """Rates by group, and the reloads of the one that is chosen."""
    here_rows = pl.col("dimension") == by
    rows, figures = told.groups.filter(here_rows), told.figures.filter(here_rows)
    if rows.is_empty():
        pieces.note(f"The log does not tell by {by}: nothing to compare.")
        return
    known = rows["group"].to_list()
    head, box = st.columns([11, 5], gap="small", vertical_alignment="bottom")
    with head:
        pieces.section(f"{of.faults.capitalize()} by {by}")
    group = choice.group(known, of, by, box)
    key = f"rates {by} {group}"
    drawing.shown(
        drawn.rates(here, of, by, group),
        "Rates",
        f"rates-by-{by.replace(' ', '-')}",
        key=key,
        alt=charts.rates_said(rows, by, of.per),
        on_select=_clicked(key),
        selection_mode=[charts.CHOSEN],
    )
    pieces.note(_legend(rows, of))
    if group is not None:
        members(here, of, told, by, group)
        return
    sheet.table(
        "Rates",
        f"rates-by-{by.replace(' ', '-')}",
        tables.groups(rows, of_reloads=of.of_reloads),
        figures,
        data.site(here).site.time_zone,
        nothing="No group.",
        on_row=lambda row: choice.to_group(None if row is None else known[row]),
    )


def _clicked(key: str) -> Any:
    def taken() -> None:
        points = st.session_state[key]["selection"].get(charts.CHOSEN, [])
        choice.to_group(points[0]["group"] if points else None)

    return taken


def _legend(rows: pl.DataFrame, of: Scope) -> str:
    more = f"{rows.height} groups, the {charts.ROWS} clearest are drawn. " if rows.height > charts.ROWS else ""
    goal = " Dashed: the goal." if rows["goal"].drop_nulls().len() else ""
    return (
        f"{more}Mark: the rate {of.per}, with 95 % limits. Filled: diamond chronic, triangle above goal, square burst;"
        f" hollow: chance, or too few to tell. Stroke: the rate drawn towards the common one. Cross: all others.{goal}"
        " Click a mark or a row to see what it is made of."
    )


def members(here: data.Place, of: Scope, told: Judged, by: str, group: str) -> None:
    """The reloads of a group, or the stops: over time, and as a table."""
    zone = data.site(here).site.time_zone
    rows = asks.members(here, of, by, group)
    called, name = ("Reloads", "reloads") if of.of_reloads else ("Stops", "stops")
    what = "Reloads" if of.of_reloads else f"{of.cause.capitalize()} stops"
    head, back = st.columns([13, 3], gap="small", vertical_alignment="bottom")
    with head:
        pieces.section(f"{what} of {by} {group}")
    back.button("All groups", key="all groups", on_click=choice.to_group, args=(None,), width="stretch")
    if rows.is_empty():
        pieces.note("None in this time.")
        return
    chart = drawn.strip(here, of, by, group, _span(told, rows, zone))
    said = _members_said(of, rows, f"{by} {group}")
    drawing.shown(chart, f"{called} over time", f"{name}-over-time", key="members", alt=said)
    faults = rows.filter("fault") if of.of_reloads else rows
    nights = _newest_nights(faults, zone)
    if nights:
        pieces.told(nights)
    shown = tables.reloads(rows, zone) if of.of_reloads else tables.stops(rows, zone)
    sheet.table(what, f"{name}-of-group", shown, rows, zone, nothing="None.", columns=tables.night_links())


def _span(told: Judged, rows: pl.DataFrame, zone: str) -> tuple[date, date]:
    """Local days that are looked at."""
    ends: list[Any] = [told.first or rows["start"].min(), told.last or rows["start"].max()]
    first, last = (at.astimezone(ZoneInfo(zone)).date() for at in ends)
    return first, last


def _members_said(of: Scope, rows: pl.DataFrame, name: str) -> str:
    if not of.of_reloads:
        return f"{rows.height} {of.faults} of {name} over time."
    counts = rows["outcome"].value_counts(sort=True).iter_rows()
    return f"Reloads of {name} over time by outcome: {', '.join(f'{count} {outcome}' for outcome, count in counts)}."


def _newest_nights(faults: pl.DataFrame, zone: str) -> list[Markup]:
    """The newest faults that came in a night, each leading to its review."""
    said = []
    for row in faults.filter(pl.col("night").is_not_null()).head(_TOLD).iter_rows(named=True):
        at = row["start"].astimezone(ZoneInfo(zone))
        alarm = (row["first_out_code"], row["first_out_text"]) if "outcome" in row else (row["code"], row["text"])
        said.append(
            markup(
                '{machine}, {at}: {what} <a href="{to}" target="_self">its night</a>',
                machine=row["machine"],
                at=f"{at:%a} {at.day} {at:%b %H:%M}",
                what=", ".join([row.get("outcome") or row["cause"], *(one for one in alarm if one)]),
                to=tables.night_address(str(row["night"]), row["machine"]),
            )
        )
    return said


# --- over time -----------------------------------------------------------------------------------


def over_time(here: data.Place, of: Scope) -> None:
    """When they came: more and more, fewer and fewer, from one day on."""
    zone = data.site(here).site.time_zone
    told = asks.pattern(here, of)
    scope = of.machine or PLANT
    name = of.machine or "all machines"
    pieces.section(f"When {of.faults} came: {name}")
    own = told.steps if of.machine is None else told.steps.filter(machine=of.machine)
    trends = told.trends if of.machine is None else told.trends.filter(scope=of.machine)
    points = told.points.filter(scope=scope)
    if points.is_empty():
        pieces.note("None in this time.")
        return
    pieces.told([markup("{said}", said=said) for said in pattern_words(trends, own)])
    for clock, place in zip(CLOCKS[::-1], st.columns(2, gap="medium"), strict=True):
        verdict = _trend(told.trends.filter(scope=scope, clock=clock).row(0, named=True))
        with place:
            drawing.shown(
                drawn.cumulative(here, of, scope, clock),
                f"Faults against {clock}",
                f"faults-against-{clock.replace(' ', '-')}",
                key=f"cumulative {clock}",
                alt=f"Shifts with a fault counted up against {clock}, {name}: {verdict}.",
            )
            pieces.note(f"Against {clock}: {verdict}.")
    pieces.note(
        "All of the time looked at, whatever was mended in it."
        " A shift with several faults counts once. Line: the fitted power law; dashed: an even rate. A line that bends"
        " up means more and more. With fewer than five such shifts nothing is fitted."
    )
    pieces.section("Did a machine change on a day?")
    sheet.table(
        "Steps",
        "steps",
        tables.steps(own, of_reloads=of.of_reloads),
        own,
        zone,
        nothing="Too few faults to look for one.",
    )
    if own.height:
        pieces.note("Steady: chance makes as clear a change; the day is then only the likeliest one.")
    pieces.section("Is there a trend?")
    sheet.table("Trends", "trends", tables.trends(trends), trends, zone, nothing="Too few faults to look for one.")


def _trend(row: dict[str, Any]) -> str:
    if row["laplace_p"] is None:
        return row["verdict"]
    tests = {"Laplace": row["laplace_p"], "Military Handbook": row["handbook_p"]}
    return f"{row['verdict']} ({', '.join(f'{name} p {p:.2g}' for name, p in tests.items())})"


# --- reload times --------------------------------------------------------------------------------


def durations(here: data.Place, of: Scope) -> None:
    """How long reloads take against the plan, and whether that changes."""
    zone = data.site(here).site.time_zone
    told = asks.durations(here, of)
    series = told.series if of.machine is None else told.series.filter(machine=of.machine)
    pieces.section("How long reloads take against the plan")
    if series.is_empty():
        pieces.note("No shift with reloads enough, and a planned time to compare with.")
        return
    called = series.filter(pl.col("verdict").is_in(["step", "drift", "change of job"]))
    said = [
        markup(
            "<b>{verdict}</b> {of}: {said}.", verdict=row["verdict"].capitalize(), of=_series(row), said=row["sentence"]
        )
        for row in called.iter_rows(named=True)
    ]
    pieces.told(
        said or [Markup("No machine and job takes longer or shorter than it did: chance explains what was seen.")]
    )
    one_series(here, of, series, told.points)
    pieces.section("All machines and jobs")
    sheet.table("Times", "reload-times", tables.durations(series), series, zone, nothing="None.")


def one_series(here: data.Place, of: Scope, series: pl.DataFrame, points: pl.DataFrame) -> None:
    """The charts of one machine and job, the one that changed first."""
    charted = series.join(
        points.select("machine", "job").unique(), on=["machine", "job"], maintain_order="left", how="semi"
    )
    if charted.is_empty():
        pieces.note("Too few shifts yet to chart any machine and job.")
        return
    rows = {_series(row): row for row in charted.iter_rows(named=True)}
    left, _ = st.columns([5, 11])
    name = choice.series(list(rows), left)
    row = rows[name]
    specs = drawn.times(here, of, row["machine"], row["job"])
    finding = f"{name}: {row['verdict']}. {row['sentence']}."
    drawing.shown(specs["times"], "Reload times", "reload-times", key="times", alt=finding)
    pieces.note(finding)
    noticed = f"noticed {row['noticed']} by {row['noticed_by']}" if row["noticed"] else "nothing noticed"
    for kind, place in zip(("ewma", "cusum"), st.columns(2, gap="medium"), strict=True):
        alt = f"{kind.upper()} of reload times of {name} with its limits: {noticed}."
        with place:
            drawing.shown(specs[kind], kind.upper(), f"reload-times-{kind}", key=kind, alt=alt)
    pieces.note(
        "Above: each point is the median of a shift with three reloads or more; dashed the plan. Below: EWMA, and CUSUM"
        " for longer (line) and shorter (dashes), in spreads of the shifts before;"
        " dashed their limits: beyond them it is no chance."
    )


def _series(row: dict[str, Any]) -> str:
    return f"{row['machine']}, {row['job']}" if row["job"] != ALL_JOBS else f"{row['machine']}, all jobs together"


# --- alarms --------------------------------------------------------------------------------------


def alarms(here: data.Place, of: Scope) -> None:
    """The most frequent alarms, which bring which, floods and chattering."""
    zone = data.site(here).site.time_zone
    load = asks.alarms(here, of)
    pieces.section("Alarms" + (f" of {of.machine}" if of.machine else ""))
    if load.frequent.is_empty():
        pieces.note("No alarm came up in this time.")
        return
    share, most = 100 * load.frequent["share"].sum(), load.frequent.height
    pieces.note(
        f"{load.alarms} alarms of {load.kinds} kinds; the {most} most frequent are {share:.0f} % of them."
        f" Floods: {load.floods.height or 'none'}. Bouts of chattering: {load.chattering.height or 'none'}."
    )
    sheet.table("Most frequent", "alarms", tables.frequent(load.frequent), load.frequent, zone, nothing="None.")
    parts = {
        "What leads to what": ("leads-to", tables.leads_to(load.leads_to), load.leads_to),
        "Floods": ("floods", tables.floods(load.floods, zone), load.floods),
        "Chattering": ("chattering", tables.chattering(load.chattering, zone), load.chattering),
        "By machine": ("alarms-by-machine", tables.alarm_machines(load.machines), load.machines),
    }
    drawn = {
        title: partial(sheet.table, title, *one, zone, nothing="None in this time.") for title, one in parts.items()
    }
    sheet.tabs(drawn)


sheet.opened(page, asks.ahead)

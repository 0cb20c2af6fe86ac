"""The first words of a night: which one it is, how old the log is, and which machine to walk to.

    words = headline(review, now)
    words.lead        "Walk to T03 first"
    words.why         "stopped at 02:14: misfeed (2101 bar not picked)"

Plain sentences, so that a page and a terminal open with the same words.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import polars as pl

from runlog.figures.night import NightReview, Window

WORTH_A_WALK_H: Final = 0.25
"""Standard hours lost from which a machine that runs again is still worth the first walk. [h]"""

PLANNED_LENGTH_H: Final = 8.0
"""A night of this length needs no word about it. [h]"""


@dataclass(frozen=True)
class Headline:
    """The opening of a review.

    Attributes
    ----------
    lead : str
        Where to go, or that nobody needs to.
    why : str
        How the run of that machine ended; empty where there is nowhere to go.
    machine : str or None
        The machine of `lead`.
    rest : str
        What became of all machines together.
    night : str
        Which night.
    window : str
        From when to when, in the site's time zone, which is named.
    log : str
        How far the log reaches, how old that is, and whether the night is over.
    """

    lead: str
    why: str
    machine: str | None
    rest: str
    night: str
    window: str
    log: str


def headline(review: NightReview, now: datetime) -> Headline:
    """Open the review of a night.

    Parameters
    ----------
    review : NightReview
        Of all machines.
    now : datetime
        With zone; tells how old the log is.
    """
    latest = review.window.night == review.nights[-1]
    first = review.machines.filter(_worth_a_walk()).head(1)
    machine = first["machine"][0] if len(first) else None
    return Headline(
        lead=_lead(machine, latest, review.machines),
        why=first["ending"][0] if machine else "",
        machine=machine,
        rest=_rest(review.machines, latest),
        night=f"{'Shift' if review.window.attended else 'Night'} of {review.window.night:%A} {_day(review.window)}",
        window=window_words(review.window),
        log=log_words(review.window, now),
    )


def _worth_a_walk() -> pl.Expr:
    broke_off = pl.col("ended_by").is_in(["stop", "no signal", "not started"])
    return (
        pl.col("standing_now")
        | (pl.col("hours_lost") >= WORTH_A_WALK_H).fill_null(False)
        | (pl.col("hours_lost").is_null() & broke_off)
    )


def _lead(machine: str | None, latest: bool, machines: pl.DataFrame) -> str:
    if machine is None:
        unplanned = machines["planned_parts"].null_count()
        return "Every machine made its plan" if not unplanned else "No machine fell behind a plan"
    return f"Walk to {machine} first" if latest else f"{machine} lost most"


def _rest(machines: pl.DataFrame, latest: bool) -> str:
    total = len(machines)
    said = [f"{machines['standing_now'].sum()} of {total} standing now"] if latest else []
    if machines["hours_lost"].count():
        kept = machines.filter(pl.col("hours_lost") < WORTH_A_WALK_H).height
        lost = machines.select(pl.col("hours_lost").clip(lower_bound=0).sum()).item()
        said += [f"{kept} of {total} within {WORTH_A_WALK_H:g} h of plan", f"{lost:.1f} standard h lost"]
    return " · ".join(said)


def slack_words(review: NightReview, machine: str) -> str:
    """What the plan of a machine left free where bars or the order bind before time does; else empty.

    Notes
    -----
    Slack = PBT / PRI - planned parts: so many parts of the hours lost cost none. [parts] PBT / PRI is the sum of
    the loss account in parts. Nothing is said of a night still running, or of one with more than one limit.
    """
    here = pl.col("machine") == machine
    planned, limit = review.machines.filter(here).select("planned_parts", "limit").row(0)
    account = review.time.filter(here)["parts"]
    if planned is None or limit not in ("bars", "order") or review.window.running or account.has_nulls():
        return ""
    slack = account.sum() - planned
    if slack < 1:
        return ""
    bound = "bars bound" if limit == "bars" else "the order bound"
    return (
        f"Here {bound} the plan before time did: it left {slack:.0f} parts' worth of time free, "
        "so not every hour lost cost parts."
    )


def _day(window: Window) -> str:
    return f"{window.night.day} {window.night:%B %Y}"


def window_words(window: Window) -> str:
    """From when to when, local; a length other than 8 h is said, and why if the clocks changed."""
    zone = ZoneInfo(window.zone)
    start, end = window.start.astimezone(zone), window.end.astimezone(zone)
    changed = (end.utcoffset() or timedelta()) - (start.utcoffset() or timedelta())
    day = "%a %H:%M" if window.end - window.start > timedelta(hours=24) else "%H:%M"
    if changed:
        length = f"{window.hours:g} h, the clocks went {'forward' if changed > timedelta() else 'back'}"
        return f"{start:{day}} {start:%Z} to {end:{day}} {end:%Z}, {window.zone}: {length}"
    length = "" if window.hours == PLANNED_LENGTH_H else f": {window.hours:.4g} h"
    return f"{start:{day}} to {end:{day}}, {window.zone} ({start:%Z}){length}"


def log_words(window: Window, now: datetime) -> str:
    """How far the log reaches, its age, and whether the night is over."""
    read_to = window.log_end.astimezone(ZoneInfo(window.zone))
    shift = "shift" if window.attended else "night"
    state = f"the {shift} is still running" if window.running else f"the {shift} is over"
    return f"log read to {read_to:%a} {read_to.day} {read_to:%b %H:%M}{_age(now - window.log_end)}; {state}"


def _age(age: timedelta) -> str:
    minutes = age.total_seconds() / 60
    if minutes < 0:
        return ""
    if minutes < 90:
        return f", {minutes:.0f} min ago"
    return f", {minutes / 60:.0f} h ago" if minutes < 48 * 60 else f", {minutes / 1440:.0f} days ago"

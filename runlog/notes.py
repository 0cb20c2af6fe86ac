"""What people say about machines, kept for good: who, when, why, and what it speaks of.

    row = fix_note("T01", day, "new liner 38 mm", site, who="A. Miller")
    row = cause_note("T01", instant, "swarf nest", site, who="A. Miller", why="seen at the machine")
    row = action_note("order a liner of 38 mm", site, owner="B. Jones", due=day, who="A. Miller")
    store.add("notes", row)
    store.add("notes", withdrawal(in_force(notes), "f3a9c1d2", who="A. Miller", why="wrong machine"))

Nothing that was noted is changed or removed: a word that was wrong is taken back by a later one.
"""

import hashlib
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final

import polars as pl

from runlog.errors import RunlogError
from runlog.schema import NOTES
from runlog.site import Site

TAKING_BACK: Final = ("withdrawal", "done")
"""Kinds of notes after which another is no longer in force."""


def fix_note(
    machine: str,
    when: date | datetime,
    text: str,
    site: Site,
    *,
    who: str,
    why: str | None = None,
    cause: str | None = None,
    now: datetime | None = None,
) -> pl.DataFrame:
    """A fix as a row of NOTES.

    Parameters
    ----------
    machine : str
        Name in the site file.
    when : date or datetime
        In local time; a date without a clock time means some time of that day.
    text : str
        What was done.
    site : Site
        Names the machines and causes there are.
    who, why, cause : str
        See NOTES.
    now : datetime, optional
        When it is noted; now.

    Raises
    ------
    RunlogError
        No such machine or cause, nobody named, or nothing said.
    """
    _check(machine, cause, who, site)
    start, until = _instants(when, site)
    told = {
        "kind": "fix",
        "machine": machine,
        "at": start,
        "until": until,
        "cause": cause,
        "text": _said(text, "what was done", "new liner 38 mm"),
    }
    return _row(told, who, why, now)


def cause_note(
    machine: str,
    at: datetime,
    cause: str,
    site: Site,
    *,
    who: str,
    why: str | None = None,
    now: datetime | None = None,
) -> pl.DataFrame:
    """A stop's cause by a person, as a row of NOTES; the log's own word stays beside it.

    Parameters
    ----------
    machine : str
        Name in the site file.
    at : datetime
        With zone: an instant within the stop, such as its start.
    cause : str
        One that the site can name.
    site : Site
    who, why, now
        As in `fix_note`.

    Raises
    ------
    RunlogError
        No such machine or cause, or nobody named.
    """
    _check(machine, cause, who, site)
    return _row({"kind": "cause", "machine": machine, "at": at, "until": at, "cause": cause}, who, why, now)


def remark_note(
    text: str, day: date, site: Site, *, who: str, machine: str | None = None, now: datetime | None = None
) -> pl.DataFrame:
    """Something worth knowing of a day, about one machine or the whole shop, as a row of NOTES.

    Raises
    ------
    RunlogError
        No such machine, nobody named, or nothing said.
    """
    _check(machine, None, who, site)
    start, until = _instants(day, site)
    told = {
        "kind": "remark",
        "machine": machine,
        "at": start,
        "until": until,
        "text": _said(text, "what is worth knowing", "new coolant"),
    }
    return _row(told, who, None, now)


def action_note(
    text: str,
    site: Site,
    *,
    owner: str,
    due: date,
    who: str,
    machine: str | None = None,
    now: datetime | None = None,
) -> pl.DataFrame:
    """Something to be done, by whom and by when, as a row of NOTES; open until it is closed by `done_note`.

    Raises
    ------
    RunlogError
        No such machine, nobody named, nothing said, or nobody to do it.
    """
    _check(machine, None, who, site)
    if not owner.strip():
        raise RunlogError("nobody found, who does it expected")
    noted = now or datetime.now(UTC)
    told = {"kind": "action", "machine": machine, "at": noted, "until": _instants(due, site)[1]}
    return _row(
        told | {"text": _said(text, "what is to be done", "order a liner"), "owner": owner.strip()}, who, None, noted
    )


def done_note(action: dict[str, Any], *, who: str, why: str | None = None, now: datetime | None = None) -> pl.DataFrame:
    """Close an action, as a row of NOTES.

    Parameters
    ----------
    action : dict
        A row of NOTES of kind action.
    who, why, now
        Who closed it, what came of it, and when.

    Raises
    ------
    RunlogError
        Nobody named.
    """
    _check_name(who)
    told = {name: action[name] for name in ("machine", "at", "until", "text", "owner")}
    return _row(told | {"kind": "done", "withdraws": action["note"]}, who, why, now)


def withdrawal(
    held: pl.DataFrame, note: str, *, who: str, why: str | None = None, now: datetime | None = None
) -> pl.DataFrame:
    """Take back a note, as a row of NOTES.

    Parameters
    ----------
    held : DataFrame
        Notes in force, from `in_force`.
    note : str
        Its name, or as much of its beginning as no other has; empty for the one noted last.
    who, why, now
        As above.

    Raises
    ------
    RunlogError
        No note in force is called so, or several are, or nobody is named.
    """
    _check_name(who)
    found = held.filter(pl.col("note").str.starts_with(note)) if note else held.sort("noted_at").tail(1)
    if found.height != 1:
        known = ", ".join(held["note"]) or "none are in force"
        asked = note or "the note noted last"
        raise RunlogError(f"{asked}: {found.height} notes found, one expected; `runlog fix list` names them: {known}")
    old = found.row(0, named=True)
    told = {name: old[name] for name in ("machine", "at", "until", "cause", "text", "owner")}
    return _row(told | {"kind": "withdrawal", "withdraws": old["note"]}, who, why, now)


def in_force(notes: pl.LazyFrame) -> pl.DataFrame:
    """Notes that no later one has taken back, the oldest matter first."""
    taken_back = notes.select(note=pl.col("withdraws")).drop_nulls()
    return (
        notes.filter(~pl.col("kind").is_in(TAKING_BACK))
        .join(taken_back, on="note", how="anti")
        .sort("at", "machine", "noted_at")
        .collect()
    )


def _check(machine: str | None, cause: str | None, who: str, site: Site) -> None:
    machines = [one.name for one in site.machines]
    if machine is not None and machine not in machines:
        raise RunlogError(f"--machine {machine}: one of these expected: {', '.join(machines)}")
    if cause is not None and cause not in site.cause_groups:
        raise RunlogError(f"--cause {cause}: one of these expected: {', '.join(site.cause_groups)}")
    _check_name(who)


def _check_name(who: str) -> None:
    if not who.strip():
        raise RunlogError("nobody found, the name of who says so expected")


def _said(text: str, what: str, such_as: str) -> str:
    if not text.strip():
        raise RunlogError(f'nothing found, {what} expected, such as "{such_as}"')
    return text.strip()


def _instants(when: date | datetime, site: Site) -> tuple[datetime, datetime]:
    if isinstance(when, datetime):
        at = when.replace(tzinfo=site.zone).astimezone(UTC)
        return at, at
    days = (when, when + timedelta(days=1))
    first, last = (datetime.combine(day, time(0), tzinfo=site.zone).astimezone(UTC) for day in days)
    return first, last


def _row(told: dict[str, Any], who: str, why: str | None, now: datetime | None) -> pl.DataFrame:
    row = dict.fromkeys(NOTES.columns) | told | {"who": who, "why": why, "noted_at": now or datetime.now(UTC)}
    row["note"] = hashlib.sha256(repr(sorted(row.items(), key=str)).encode()).hexdigest()[:8]
    return pl.DataFrame([row], schema=NOTES.schema)

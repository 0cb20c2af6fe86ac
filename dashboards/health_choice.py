"""What is looked at on the page of reload health: all of it lives in the address."""

from collections.abc import Hashable, Mapping, Sequence
from datetime import date
from typing import Final

import address
import streamlit as st
from health_asks import RELOAD_FAULTS, Scope
from streamlit.delta_generator import DeltaGenerator

from runlog.figures import fault_groups, reload_groups

_WHOLE: Final = "plant"
RATES: Final = "Rates"
OVER_TIME: Final = "Over time"
DURATIONS: Final = "Reload times"
FIXES: Final = "Fixes"
ALARMS: Final = "Alarms"
PARTS: Final = (RATES, OVER_TIME, DURATIONS, FIXES, ALARMS)
"""Parts of the page: only the one that is shown is asked for."""


def scope(causes: Mapping[str, str], machines: Sequence[str], places: Sequence[DeltaGenerator]) -> Scope:
    """Faults of which cause, which machines and which days.

    Parameters
    ----------
    causes : mapping
        Causes and groups of causes, with what they are called in the box.
    machines : sequence of str
        All there are.
    places : sequence of DeltaGenerator
        Where the four boxes stand.
    """
    said = {RELOAD_FAULTS: RELOAD_FAULTS, **causes}
    cause = address.one_of(
        "cause", "Faults", list(said), places[0], default=RELOAD_FAULTS, words=lambda one: said.get(one, one)
    )
    machine = address.machine(machines, places[1], bare=False)
    first, last = day("from", "From", places[2]), day("to", "To", places[3])
    if first and last and first > last:
        st.text("From is after To: the days are left out.")
        first = last = None
    return Scope(cause, machine, first, last)


def dimension(of: Scope, place: DeltaGenerator) -> str:
    """What to group by; a single machine is looked at by bar size first."""
    every = reload_groups.DIMENSIONS if of.of_reloads else fault_groups.DIMENSIONS
    known = [name for name in every if name != _WHOLE]
    _forget("by", known, of.cause)
    return address.one_of("by", "Grouped by", known, place, default="machine" if of.machine is None else "diameter")


def part() -> str:
    """Which part of the page is shown."""
    names = {_named(name): name for name in PARTS}
    chosen = names.get(st.query_params.get("part", ""), RATES)
    st.session_state["part"] = chosen
    st.segmented_control("Part", PARTS, key="part", on_change=_part, required=True, label_visibility="collapsed")
    return chosen


def group(known: Sequence[str], of: Scope, by: str, place: DeltaGenerator) -> str | None:
    """The group whose reloads are shown; None for none."""
    _forget("group", known, of, by)
    label = f"Show the {'reloads' if of.of_reloads else 'stops'} of"
    return address.one_of("group", label, [None, *known], place, default=None, words=lambda one: one or "none")


def to_group(name: str | None) -> None:
    """Choose a group, or none."""
    address.to("group", name)


def series(known: Sequence[str], place: DeltaGenerator) -> str:
    """The machine and job that is charted."""
    _forget("series", known, tuple(known))
    return address.one_of("series", "Machine and job", known, place, default=known[0])


def day(key: str, label: str, place: DeltaGenerator) -> date | None:
    """A day in the address, None without one."""
    asked = st.query_params.get(key)
    try:
        chosen = date.fromisoformat(asked) if asked else None
    except ValueError:
        chosen = None
        st.text(f"{label}: a day such as 2026-03-12 expected in the address, which leaves it out.")
    st.session_state[key] = chosen
    place.date_input(label, key=key, on_change=_day, args=(key,), format="YYYY-MM-DD")
    return chosen


def _day(key: str) -> None:
    value = st.session_state[key]
    address.to(key, value.isoformat() if value else None)


def _part() -> None:
    value = st.session_state["part"]
    address.to("part", None if value in (None, RATES) else _named(value))


def _named(part: str) -> str:
    return part.lower().replace(" ", "-")


def _forget(key: str, known: Sequence[str], *within: Hashable) -> None:
    """Leave out what was chosen among others than these: only what the address began with is worth a word."""
    before = st.session_state.get(f"{key} within")
    st.session_state[f"{key} within"] = within
    if before not in (None, within) and st.query_params.get(key) not in known:
        address.to(key, None)

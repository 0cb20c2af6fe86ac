"""Choices that live in the address of a page: a link pasted into a mail opens the same view.

The address decides. A box, a switch or tabs show what it says and, when used, change it. What it says and the log does
not know is told, and left out; a switch is then off, and the first tab open.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any, Final, TypeVar
from urllib.parse import urlencode

import polars as pl
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

T = TypeVar("T")

View = tuple[tuple[str, str], ...]
"""Choices by their name in the address."""

STOP: Final = "stop"
EARLIER: Final = "earlier"
"""The switch that shows the log from longer before a stop."""
ALL: Final = "all"
"""The switch that shows all machines."""
TABLE: Final = "table"
"""The tabs of the tables of a page."""
_ALL_MACHINES: Final = "All machines"
_ON: Final = "yes"
_STAYS: Final = "what stays"
_SECOND: Final = "%Y-%m-%dT%H:%M:%SZ"


def one_of(
    key: str,
    label: str,
    options: Sequence[T],
    place: DeltaGenerator,
    *,
    default: T,
    words: Callable[[T], str] = str,
    name: Callable[[T], str] = str,
    unknown: str | None = None,
    bare: bool = False,
    always: bool = False,
    leaves: Sequence[str] = (),
) -> T:
    """A choice of one, kept in the address under `key`.

    Parameters
    ----------
    key : str
        Its name in the address and of its box.
    label : str
        Read aloud by a screen reader, and shown above the box.
    options : sequence
        All there is to choose from.
    place : DeltaGenerator
        Where the box stands.
    default : object
        One of them: taken where the address is silent, and then not written into it.
    words, name : callable
        What an option is called in the box, and in the address.
    unknown : str, optional
        Said of a name in the address that no option has.
    bare : bool
        The label is not shown, as the options say what they are.
    always : bool
        What was chosen is written into the address even if it is the default, which may be another tomorrow; and as
        soon as anything is chosen, as people then mail it.
    leaves : sequence of str
        Choices that belong to the one before, and go with it.
    """
    named = {name(option): option for option in options}
    asked = st.query_params.get(key)
    chosen = named.get(asked, default) if asked is not None else default
    if always:
        st.session_state[_STAYS] = {key: name(chosen)}
    st.session_state[key] = chosen
    shown: Any = "collapsed" if bare else "visible"
    args = (key, name, None if always else default, leaves)
    place.selectbox(label, options, key=key, format_func=words, on_change=_taken, args=args, label_visibility=shown)
    if asked and asked not in named:
        st.text(unknown or f"{label}: nothing of the name in the address, which leaves {words(default)}.")
    return chosen


def begin() -> None:
    """A page begins to be drawn."""
    st.session_state.pop(_STAYS, None)


def machine(names: Sequence[str], place: DeltaGenerator, *, bare: bool = True) -> str | None:
    """The machine in the address, None for all of them; see `one_of`."""
    # A word for all of them, not None: Streamlit takes None for nothing chosen, and shows no choice.
    chosen = one_of(
        "machine",
        "Machine",
        [_ALL_MACHINES, *names],
        place,
        default=_ALL_MACHINES,
        unknown=f"No machine of that name in the log, which has {', '.join(names)}.",
        bare=bare,
    )
    return None if chosen == _ALL_MACHINES else chosen


def is_on(key: str) -> bool:
    """Whether a switch is on, which may stand further down the page; see `switch`."""
    return st.query_params.get(key) == _ON


def switch(key: str, label: str) -> bool:
    """A choice of yes or no, kept in the address under `key`."""
    st.session_state[key] = is_on(key)
    st.toggle(label, key=key, on_change=_switched, args=(key,))
    return is_on(key)


def tabs(key: str, names: Sequence[str]) -> Sequence[Any]:
    """Tabs, the open one kept in the address under `key`; the first where it is silent."""
    asked = st.query_params.get(key)
    st.session_state[key] = asked if asked in names else names[0]
    return st.tabs(names, key=key, on_change=_taken, args=(key, str, names[0]))


def to(key: str, value: str | None) -> None:
    """Write a choice into the address, or take it out."""
    choose({key: value})


def choose(choices: Mapping[str, str | None]) -> None:
    """Write choices into the address, or take them out (None), at once: the browser's "back" takes back all of them."""
    before = st.query_params.to_dict()
    after = {key: value for key, value in (before | dict(choices)).items() if value is not None}
    if after != before:
        st.query_params.from_dict(after)


def stop_name(machine: str, start: datetime) -> str:
    """How a stop is called in the address: its machine, and the second in which it began, in UTC."""
    return f"{machine} {start.astimezone(UTC):{_SECOND}}"


def of_view(machine: str | None) -> View:
    """Choices of the page about a night that a link to one of its stops keeps."""
    kept = {"machine": machine, ALL: _ON if is_on(ALL) else None}
    return tuple((key, value) for key, value in kept.items() if value is not None)


def of_stop(night: date, view: View, name: str) -> str:
    """Address of a stop, by its `stop_name`."""
    return "?" + urlencode([("night", night.isoformat()), *view, (STOP, name)])


def of_stops(night: date, view: View, machines: Iterable[str], start: pl.Expr) -> pl.Expr:
    """Addresses of the stops of rows with a `machine`, by the instant in which each began; null without one."""
    pages = {machine: of_stop(night, view, f"{machine} ") for machine in machines}
    page = pl.col("machine").replace_strict(pages, return_dtype=pl.String)
    return pl.concat_str(page, start.dt.strftime(_SECOND))


def _switched(key: str) -> None:
    choose(_staying() | {key: _ON if st.session_state[key] else None})


def _taken(key: str, name: Callable[[Any], str], default: Any, leaves: Sequence[str] = ()) -> None:
    value = st.session_state[key]
    choose(dict.fromkeys(leaves) | _staying() | {key: None if value == default else name(value)})


def _staying() -> dict[str, str | None]:
    return st.session_state.get(_STAYS, {})

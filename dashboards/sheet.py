"""What every page does alike: say what is wrong instead of failing, show what came in meanwhile, close with cautions.

def page(here): ...
sheet.opened(page)
"""

from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial, wraps
from typing import Any, Final

import address
import data
import pieces
import polars as pl
import streamlit as st
import tables

from runlog.errors import RunlogError

REFRESH: Final = "30s"
"""How often a page left open looks whether something was read."""


def opened(draw: Callable[[data.Place], None], ahead: Callable[[data.Place], object] | None = None) -> None:
    """Draw a page over the store and the site file as they are now.

    Parameters
    ----------
    draw : callable
        Draws it; what a person can act on is raised as a `RunlogError`.
    ahead : callable, optional
        Asks, while people look at the page, what they are likely to ask of it next: answers are kept. What they choose
        meanwhile waits for it.
    """
    here = data.place()
    address.begin()
    drawn = _drawn(draw, here)
    pieces.cautions()
    _watch(here)
    if ahead is not None and drawn:
        # Nobody has asked for it yet: what is wrong is told where it is asked for.
        with suppress(RunlogError):
            ahead(here)


def part(draw: Callable[..., None]) -> Callable[..., None]:
    """Make a part of a page of a function: what is chosen in it draws this part anew, and nothing else.

    Parameters
    ----------
    draw : callable
        As for `opened`, and what else it is given.
    """

    @st.fragment
    @wraps(draw)
    def drawn(*given: Any) -> None:
        _drawn(draw, *given)

    return drawn


def _drawn(draw: Callable[..., None], *given: Any) -> bool:
    """Whether there was something to draw; if not, why not is on the page."""
    try:
        draw(*given)
    except RunlogError as error:
        pieces.sentence("Nothing to show yet", *str(error).splitlines())
        return False
    return True


@st.fragment(run_every=REFRESH)
def _watch(here: data.Place) -> None:
    """Show what was read meanwhile to a page left open; what is chosen stays, as the address holds it."""
    if data.place() != here:
        st.rerun()


def table(
    title: str,
    name: str,
    shown: pl.DataFrame,
    frame: pl.DataFrame,
    zone: str,
    *,
    nothing: str,
    columns: dict[str, Any] | None = None,
    on_row: Callable[[int | None], None] | None = None,
) -> None:
    """A table to read, and its figures to take away.

    Parameters
    ----------
    title : str
        What it is called on the buttons.
    name : str
        Of the file, without ending; also the key of its pieces on the page.
    shown : DataFrame
        As people read it; see `tables`.
    frame : DataFrame
        The figures behind it, as they are kept.
    zone : str
        Time zone of the file's clock times.
    nothing : str
        What is said of an empty one.
    columns : dict, optional
        How some columns are shown, as Streamlit takes it.
    on_row : callable, optional
        Called with the number of the row that was clicked, None when it was let go.
    """
    if shown.is_empty():
        pieces.note(nothing)
        return
    key = f"{name} table"
    clicks: dict[str, Any] = {}
    if on_row is not None:
        clicks = {"selection_mode": "single-row", "on_select": partial(_row, key, on_row)}
    st.dataframe(
        tables.for_reading(shown),
        key=key,
        hide_index=True,
        placeholder="",
        width="stretch",
        alt=title,
        column_config=columns,
        **clicks,
    )
    take_away(title, name, frame, zone)


def tabs(parts: Mapping[str, Callable[[], None]]) -> None:
    """Tables behind tabs, of which only the open one is drawn: together they take longer than the rest of a page.

    Parameters
    ----------
    parts : mapping of str to callable
        What is drawn, by the name of its tab.
    """

    @part
    def drawn() -> None:
        for tab, draw in zip(address.tabs(address.TABLE, list(parts)), parts.values(), strict=True):
            if tab.open:
                with tab:
                    draw()

    drawn()


def _row(key: str, on_row: Callable[[int | None], None]) -> None:
    rows = st.session_state[key]["selection"]["rows"]
    on_row(rows[0] if rows else None)


def take_away(title: str, name: str, frame: pl.DataFrame, zone: str) -> None:
    """Buttons that hand a frame over as CSV and as Parquet; the files are made when asked for."""
    kinds: list[tuple[str, str, Callable[[], bytes]]] = [
        ("CSV", "text/csv", lambda: data.csv_of(frame, zone)),
        ("Parquet", "application/vnd.apache.parquet", lambda: data.parquet_of(frame)),
    ]
    with st.container(horizontal=True, gap="small"):
        for kind, mime, made in kinds:
            st.download_button(
                f"{title} as {kind}",
                made,
                file_name=f"{name}.{kind.lower()}",
                mime=mime,
                key=f"{name} {kind}",
                on_click="ignore",
            )

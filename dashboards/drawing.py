"""Charts on a page: each drawn once for what it shows, seen there, and taken away as a picture."""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Final

import altair as alt
import picture
import polars as pl
import streamlit as st
import theme
from picture import Spec


def data_of(name: str) -> alt.NamedData:
    """Data of a chart that is specified without them, to be put to it by `over` under this name."""
    return alt.NamedData(name)


ROWS: Final = data_of("rows")
"""All data of such a chart that has but one frame."""
_PLACE: Final = "place"
AS_ROWS: Final = alt.EncodingSortField(field=_PLACE, op="min")
"""Names along an axis in the order of `numbered` rows: else a browser keeps the order of rows that it drew before."""


def over(rows: pl.DataFrame | Mapping[str, pl.DataFrame], form: Spec) -> Spec:
    """A chart of some rows, in a form that is specified once for all rows, as that takes Altair long.

    Parameters
    ----------
    rows : DataFrame or mapping of str to DataFrame
        Of ROWS, or of data by name. Without instants and dates, which would be read in the zone of the browser.
    form : dict
        A `specification` whose data they are.
    """
    return form | {"datasets": {ROWS.name: numbered(rows)} if isinstance(rows, pl.DataFrame) else dict(rows)}


def numbered(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with their number, which AS_ROWS goes by; `over` does so itself."""
    return rows.with_row_index(_PLACE)


def made(draw: Callable[..., Any], *given: Any) -> Spec:
    """A chart as Vega-Lite, made once for what is given: making it takes longer than the figures in it.

    Parameters
    ----------
    draw : callable
        A function of a module that makes an Altair chart of what is given.
    given
        Frames, looks, names: equal ones give the same chart.
    """
    return _made(f"{draw.__module__}.{draw.__qualname__}", given, draw)


@st.cache_resource(max_entries=128, show_spinner=False)
def _made(name: str, given: tuple[Any, ...], _draw: Callable[..., Any]) -> Spec:
    return specification(_draw(*given))


def specification(chart: Any) -> Spec:
    """A chart as Vega-Lite."""
    # Whether it is valid is asked by the tests of the charts; asked here it would take a third of the time.
    told = chart.to_dict(validate=False)
    apart = told.get("datasets", {})
    names = {hashed: f"rows {number}" for number, hashed in enumerate(apart, 1)}
    return _with_names(told, names) | ({"datasets": {names[one]: rows for one, rows in apart.items()}} if apart else {})


def _with_names(part: Spec, names: dict[str, str]) -> Spec:
    """A part of a chart that calls its data by place, not by content: a browser keeps a chart and changes its rows."""
    named = {"data": {"name": names[part["data"]["name"]]}} if part.get("data", {}).get("name") in names else {}
    inner = {kind: [_with_names(one, names) for one in part[kind]] for kind in picture.PARTS if kind in part}
    return part | named | inner


def shown(
    spec: Spec, title: str, name: str, *, key: str, alt: str | None = None, alone: Spec | None = None, **clicks: Any
) -> None:
    """Show a chart, and under it the buttons that hand it over as a picture.

    Parameters
    ----------
    spec : dict
        From `made`, or a `specification` that is kept.
    title : str
        What it is called on the buttons; words of ours, as Streamlit takes them for Markdown.
    name : str
        Of the file, without ending.
    key : str
        Of the element.
    alt : str, optional
        Read aloud in place of the chart.
    alone : dict, optional
        The chart as it leaves the page, where it has to say what the page says beside it.
    clicks
        What becomes of clicks on its marks, as Streamlit takes it.
    """
    st.vega_lite_chart(spec, theme=None, key=key, width="stretch", alt=alt, **clicks)
    pictures(alone or spec, title, name, key=key)


def pictures(spec: Spec, title: str, name: str, *, key: str) -> None:
    """Buttons that hand a chart over as a picture; see `shown`."""
    look = theme.look()
    with st.container(key=f"picture {key}", horizontal=True):
        for kind, mime in picture.KINDS.items():
            st.download_button(
                f"{title} as {kind}",
                partial(picture.drawn, spec, kind, look),
                file_name=f"{name}.{kind.lower()}",
                mime=mime,
                key=f"{kind} {key}",
                on_click="ignore",
                type="tertiary",
            )

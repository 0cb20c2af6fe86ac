"""A chart on a page, drawn once for what it shows: making its specification takes longer than the figures in it."""

from collections.abc import Callable
from typing import Any

import streamlit as st


def shown(draw: Callable[..., Any], *given: Any, key: str, alt: str | None = None) -> None:
    """Show a chart.

    Parameters
    ----------
    draw : callable
        A function of a module that makes an Altair chart of what is given.
    given
        Frames, looks, names: equal ones give the same chart.
    key : str
        Of the element.
    alt : str, optional
        Read aloud in place of the chart.
    """
    chart = _drawn(f"{draw.__module__}.{draw.__qualname__}", given, draw)
    st.vega_lite_chart(chart, theme=None, key=key, width="stretch", alt=alt)


@st.cache_resource(max_entries=128, show_spinner=False)
def _drawn(name: str, given: tuple[Any, ...], _draw: Callable[..., Any]) -> dict[str, Any]:
    return specification(_draw(*given))


def specification(chart: Any) -> dict[str, Any]:
    """A chart as Vega-Lite."""
    # Whether it is valid is asked by the tests of the charts; asked here it would take a third of the time.
    return chart.to_dict(validate=False)

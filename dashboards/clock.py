"""The clock along a drawing: the site's own, whatever zone the browser is in.

A browser would show instants in its own zone, so they go in as milliseconds since the window's start and local clock
times as ready labels: an hour that the clocks repeat is drawn twice, as it was lived.
"""

from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Any, Final
from zoneinfo import ZoneInfo

import altair as alt
import polars as pl
from theme import Look

from runlog.figures.night import Window

_STEPS_H: Final = (1, 2, 3, 4, 6, 12, 24, 10**6)
_LABELS: Final = 12


def hour_ticks(window: Window) -> list[tuple[float, str]]:
    """Full local hours of the night, as `since_start` and labels; the zone's name beside a change of the clocks.

    Long windows get fewer: no more than a dozen or so.
    """
    zone = ZoneInfo(window.zone)
    step = next(hours for hours in _STEPS_H if window.hours / hours <= _LABELS)
    start = window.start.astimezone(zone)
    clock = "%a %H:%M" if window.hours > 24 else "%H:%M"
    # Counted in UTC: local hours would lose the repeated one.
    first = start.replace(minute=0, second=0, microsecond=0).astimezone(UTC)
    hours = [(first + timedelta(hours=number)).astimezone(zone) for number in range(int(window.hours) + 2)]
    return [
        (since_start(window, at), f"{at:{clock}}{f' {at:%Z}' if _at_a_change(at) else ''}")
        for at in hours
        if window.start <= at <= window.end and at.hour % step == 0
    ]


def _at_a_change(at: datetime) -> bool:
    """The clocks change within the hour before or after."""
    utc, zone = at.astimezone(UTC), at.tzinfo
    around = [(utc + timedelta(hours=hours)).astimezone(zone).utcoffset() for hours in (-1, 1)]
    return any(offset != at.utcoffset() for offset in around)


def placed(frame: pl.DataFrame, *names: str, window: Window) -> pl.DataFrame:
    """Make instants numbers to draw by (`since_start`), and add their local clock as text beside (`start_local`)."""
    local = pl.col(*names).dt.convert_time_zone(window.zone).dt.strftime("%a %H:%M:%S")
    passed = (pl.col(*names) - window.start).dt.total_milliseconds().cast(pl.Float64)
    return frame.with_columns(local.name.suffix("_local"), passed)


def since_start(window: Window, at: datetime) -> float:
    """An instant as the drawing's number. [ms]"""
    return float(round((at - window.start).total_seconds() * 1000))


def length_ms(window: Window) -> int:
    """How long the window is. [ms]"""
    return round((window.end - window.start).total_seconds() * 1000)


def in_look(chart: Any, look: Look) -> Any:
    """A whole chart in the colours and the type of the page."""
    # `configure` would copy the chart, with all that is drawn in it.
    chart.config = _config(look)
    return chart


@cache
def _config(look: Look) -> alt.Config:
    axis = alt.AxisConfig(
        labelColor=look.ink,
        titleColor=look.ink,
        tickColor=look.faint,
        domainColor=look.faint,
        gridColor=look.rule,
        labelFontSize=12,
        titleFontSize=11,
        titleFontWeight="normal",
    )
    return alt.Config(
        background="transparent",
        font='"Source Sans", "Source Sans Pro", sans-serif',
        view=alt.ViewConfig(stroke=None),
        axis=axis,
        legend=alt.LegendConfig(labelColor=look.ink, titleColor=look.ink),
        # Read aloud are a chart's finding and the table beside it, not its marks one by one. Of a mark without words of
        # its own Streamlit would tell the numbers it is drawn by: instants in milliseconds.
        mark=alt.MarkConfig(aria=False, tooltip=None),
    )

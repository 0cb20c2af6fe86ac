"""The clock along a drawing: the site's own, whatever zone the browser is in.

A browser would show instants in its own zone, so instants go in as milliseconds and local clock times as
ready labels: an hour that the clocks repeat is drawn twice, as it was lived.
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


def hour_ticks(window: Window) -> list[tuple[int, str]]:
    """Full local hours of the night, as milliseconds and labels; the zone's name beside a change of the clocks.

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
        (ms(at), f"{at:{clock}}{f' {at:%Z}' if _at_a_change(at) else ''}")
        for at in hours
        if window.start <= at <= window.end and at.hour % step == 0
    ]


def _at_a_change(at: datetime) -> bool:
    """The clocks change within the hour before or after."""
    utc, zone = at.astimezone(UTC), at.tzinfo
    around = [(utc + timedelta(hours=hours)).astimezone(zone).utcoffset() for hours in (-1, 1)]
    return any(offset != at.utcoffset() for offset in around)


def hour_axis(window: Window, look: Look, *, labels: bool) -> alt.Axis:
    """The clock on top of the first row; the other rows have its lines only."""
    ticks = hour_ticks(window)
    words = ", ".join(f"'{at}': '{label}'" for at, label in ticks)
    return alt.Axis(
        values=[at for at, _ in ticks],
        labelExpr=f"{{{words}}}[datum.value]" if labels else "''",
        labels=labels,
        ticks=labels,
        domain=False,
        orient="top",
        title="clock" if labels else None,
        titleAnchor="start",
        titleAlign="right",
        titleX=-22,
        titleY=-9,
        grid=True,
        gridColor=look.rule,
        gridOpacity=0.6,
        labelBound=False,
        labelFlush=False,
        labelOverlap=False,
    )


def along(window: Window, field: str = "at", axis: alt.Axis | None = None) -> alt.X:
    """An instant along the night. Layers share one axis: the first names it, the others leave it alone."""
    scale = alt.Scale(domain=[ms(window.start), ms(window.end)], nice=False, zero=False)
    return alt.X(f"{field}:Q", scale=scale) if axis is None else alt.X(f"{field}:Q", scale=scale, axis=axis)


def placed(frame: pl.DataFrame, *names: str, zone: str) -> pl.DataFrame:
    """Make instants numbers to draw by, and add their local clock as text beside (`start_local`)."""
    text = [pl.col(name).dt.convert_time_zone(zone).dt.strftime("%a %H:%M:%S").alias(f"{name}_local") for name in names]
    return frame.with_columns(*text, *(pl.col(name).dt.epoch("ms").cast(pl.Float64) for name in names))


def ms(at: datetime) -> int:
    """An instant as the drawing's number. [ms]"""
    return round(at.timestamp() * 1000)


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

"""Charts of a night ahead: how long each machine is likely to be at work, parts with their range, what to fix first."""

from datetime import datetime
from typing import Any, Final

import altair as alt
import polars as pl
from clock import along, hour_axis, in_look, placed, since_start
from theme import Look

from runlog.figures.forecast_shop import HOURS
from runlog.figures.tonight import Tonight
from runlog.figures.window import Window

ROW_PX: Final = 58
FIXES: Final = 8
BATCHES_DRAWN: Final = 8


def window_of(review: Tonight) -> Window | None:
    """From the first start to the last end of what is forecast."""
    rows = review.machines.filter(pl.col("end").is_not_null())
    if rows.is_empty():
        return None
    start, end = rows.select(pl.col("at").min(), pl.col("end").max()).row(0)
    return Window(start.date(), start, end, end, review.log_end or start, review.zone, attended=False)


def at_work(machines: pl.DataFrame, hours: pl.DataFrame | None, window: Window, look: Look) -> alt.VConcatChart:
    """One row a machine: the chance that it is still at work, over the clock, with what ends its night.

    Parameters
    ----------
    machines : DataFrame
        `Tonight.machines`: which rows, from the top.
    hours : DataFrame, optional
        `ShopForecast.hours`; without it there are no lines.
    window : Window
        From `window_of`.
    """
    told = pl.DataFrame(schema=HOURS) if hours is None else hours
    rows = [
        _row(facts, told.filter(machine=facts["machine"]), window, look, first=not number)
        for number, facts in enumerate(machines.iter_rows(named=True))
    ]
    chart = alt.VConcatChart(
        vconcat=rows, spacing=16, bounds="flush", padding={"left": 4, "right": 8, "top": 0, "bottom": 2}
    )
    return in_look(chart, look).resolve_scale(x="independent", y="independent")


def _row(facts: dict[str, Any], hours: pl.DataFrame, window: Window, look: Look, *, first: bool) -> alt.LayerChart:
    line = placed(hours, "at", window=window)
    axis = hour_axis(window, look, labels=first)
    y = alt.Y(
        "percent:Q",
        title=facts["machine"],
        scale=alt.Scale(domain=[0, 100], nice=False),
        axis=alt.Axis(
            values=[0, 50, 100], grid=False, titleFontSize=13, titleFontWeight="bold", labelExpr="datum.value + ' %'"
        ),
    )
    area = (
        alt.Chart(line.with_columns(percent=100 * pl.col("at_work")))
        .mark_area(color=look.producing, opacity=0.22, line={"color": look.producing, "strokeWidth": 2, "opacity": 1})
        .encode(
            x=along(window, axis=axis),
            y=y,
            tooltip=[
                alt.Tooltip("at_local:N", title="clock"),
                alt.Tooltip("percent:Q", title="still at work [%]", format=".0f"),
            ],
        )
    )
    ends = [
        (facts["first_stop_at"], "if it stops, about then", look.stopped, [2, 3], "bottom"),
        (facts["bars_out_at"], "bars used up", look.ink, [6, 3], "top"),
    ]
    marks = [mark for one in ends if (mark := _mark(*one, window=window, look=look)) is not None]
    return alt.LayerChart(layer=[area, *(layer for pair in marks for layer in pair)], height=ROW_PX)


def _mark(
    at: datetime | None, said: str, colour: str, dash: list[int], where: str, *, window: Window, look: Look
) -> list[alt.Chart] | None:
    if at is None or not window.start <= at <= window.end:
        return None
    base = alt.Chart(pl.DataFrame({"at": [since_start(window, at)], "said": [said]})).encode(x=along(window))
    y = 8 if where == "top" else ROW_PX - 8
    late = (at - window.start) > 0.75 * (window.end - window.start)
    words = base.mark_text(align="right" if late else "left", dx=-5 if late else 5, y=y, color=look.ink, fontSize=11)
    return [base.mark_rule(color=colour, strokeDash=dash, strokeWidth=2), words.encode(text=alt.Text("said:N"))]


def parts(rows: pl.DataFrame, look: Look) -> alt.LayerChart:
    """Parts of each machine: the range of four nights of five, the average, and what the plan allows.

    Parameters
    ----------
    rows : DataFrame
        `Tonight.machines` with a forecast.
    """
    shown = rows.select(
        "machine",
        low=pl.coalesce("good_low", "parts_low"),
        high=pl.coalesce("good_high", "parts_high"),
        mean=pl.coalesce("good_parts", "parts"),
        plan="planned_end_parts",
    )
    y = alt.Y("machine:N", sort=None, title=None, axis=alt.Axis(ticks=False, domain=False, labelFontWeight="bold"))
    scale = alt.Scale(zero=True, nice=False)
    title = "parts: bar, four nights of five; dot, average; stroke, if nothing stops it"
    x = alt.X("low:Q", title=title, scale=scale, axis=alt.Axis(tickCount=6))
    tip = [
        alt.Tooltip("machine:N"),
        alt.Tooltip("mean:Q", title="average", format=".1f"),
        alt.Tooltip("low:Q", title="four of five from", format=".0f"),
        alt.Tooltip("high:Q", title="to", format=".0f"),
        alt.Tooltip("plan:Q", title="if nothing stops it", format=".0f"),
    ]
    base = alt.Chart(shown)
    bar = base.mark_bar(size=9, color=look.producing, opacity=0.45).encode(x=x, x2=alt.X2("high:Q"), y=y, tooltip=tip)
    dot = base.mark_point(filled=True, size=70, color=look.producing, opacity=1).encode(
        x=alt.X("mean:Q", scale=scale), y=y, tooltip=tip
    )
    plan = base.mark_tick(color=look.ink, thickness=3, size=18).encode(x=alt.X("plan:Q", scale=scale), y=y, tooltip=tip)
    return in_look(alt.LayerChart(layer=[bar, dot, plan], height=30 * len(shown) + 45), look)


def fixes(rows: pl.DataFrame, look: Look) -> alt.LayerChart:
    """What to fix first: parts a night gained without each cause.

    Parameters
    ----------
    rows : DataFrame
        `Tonight.fixes`.
    """
    shown = rows.head(FIXES).with_columns(
        said=pl.format("{} parts, most on {}", pl.col("gained_parts").round(1), "worst")
    )
    y = alt.Y("cause:N", sort=None, title=None, axis=alt.Axis(labelLimit=210, ticks=False, domain=False))
    x = alt.X("gained_parts:Q", title="parts gained a night without it", axis=alt.Axis(tickCount=5))
    tip = [
        alt.Tooltip("cause:N"),
        alt.Tooltip("gained_parts:Q", title="parts a night", format=".1f"),
        alt.Tooltip("worst:N", title="most of it on"),
        alt.Tooltip("worst_parts:Q", title="there", format=".1f"),
        alt.Tooltip("seen:Q", title="stops seen"),
    ]
    bars = alt.Chart(shown).mark_bar(size=14, color=look.stopped).encode(x=x, y=y, tooltip=tip)
    words = (
        alt.Chart(shown)
        .mark_text(align="left", dx=5, color=look.ink, fontSize=11)
        .encode(x=x, y=y, text=alt.Text("said:N"))
    )
    return in_look(alt.LayerChart(layer=[bars, words], height=24 * max(len(shown), 1) + 45), look)


def batches(curve: pl.DataFrame, paying: Any, look: Look) -> alt.LayerChart:
    """Hours gained with nobody there, less the changeover, by batch size and by what changes.

    Parameters
    ----------
    curve : DataFrame
        `PlanReview.curve` of one machine.
    paying : int or None
        The largest batch from which a changeover pays: batches of far more say nothing new.
    """
    x = alt.X("batch:Q", title="batch [parts]", scale=alt.Scale(type="log", nice=False))
    y = alt.Y("net_h:Q", title="gained less changeover [h]")
    dash = alt.StrokeDash(
        "change:N", title="what changes", legend=alt.Legend(orient="bottom", columns=2, labelLimit=260)
    )
    tip = [alt.Tooltip("change:N"), alt.Tooltip("batch:Q"), alt.Tooltip("net_h:Q", format=".1f", title="net [h]")]
    shown = curve if paying is None else curve.filter(pl.col("batch") <= max(BATCHES_DRAWN * paying, 100))
    lines = alt.Chart(shown).mark_line(color=look.producing, point=True).encode(x=x, y=y, strokeDash=dash, tooltip=tip)
    zero = alt.Chart(pl.DataFrame({"net_h": [0.0]})).mark_rule(color=look.ink).encode(y=alt.Y("net_h:Q"))
    return in_look(alt.LayerChart(layer=[zero, lines], height=230), look)

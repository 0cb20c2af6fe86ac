"""Charts of a night ahead: how long each machine is likely to be at work, parts with their range, what to fix first."""

from functools import cache
from typing import Any, Final

import altair as alt
import drawing
import polars as pl
import stacked
from clock import in_look, length_ms, placed
from marks import by_test
from picture import Spec
from stacked import HOURS, along, down, hours_of, in_rows, over, px, tops
from theme import Look

from runlog.figures.forecast_shop import HOURS as HOURS_AT_WORK
from runlog.figures.tonight import Tonight
from runlog.figures.window import Window

ROW_PX: Final = 58
"""Height of a machine's row."""
PITCH_PX: Final = 74
"""From one row to the next."""
WORDS: Final[dict[str, dict[str, Any]]] = {"before": {"align": "right", "dx": -5}, "after": {"align": "left", "dx": 5}}
"""On which side of what ends a night its words stand."""
FIXES: Final = 8
BATCHES_DRAWN: Final = 8


def window_of(review: Tonight) -> Window | None:
    """From the first start to the last end of what is forecast."""
    rows = review.machines.filter(pl.col("end").is_not_null())
    if rows.is_empty():
        return None
    start, end = rows.select(pl.col("at").min(), pl.col("end").max()).row(0)
    return Window(start.date(), start, end, end, review.log_end or start, review.zone, attended=False)


def at_work(machines: pl.DataFrame, hours: pl.DataFrame | None, window: Window, look: Look) -> Spec:
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
    places = tops(machines["machine"].to_list(), PITCH_PX)
    told = pl.DataFrame(schema=HOURS_AT_WORK) if hours is None else hours
    ends = _ends(in_rows(machines, places), window)
    rows = {
        HOURS: hours_of(window),
        "axes": places.select("machine", zero=_percent(0), high=_percent(100), middle=_percent(50)),
        "labels": places.join(pl.DataFrame({"percent": [0, 50, 100]}), how="cross").select(
            y=_percent(pl.col("percent")), said=pl.format("{} %", "percent")
        ),
        "lines": placed(in_rows(told, places), "at", window=window)
        .with_columns(percent=100 * pl.col("at_work"))
        .select("machine", "at", "at_local", "percent", y=_percent(pl.col("percent")), zero=_percent(0)),
        "ends": ends,
        # Words stand where there is room.
        "before": ends.filter("late"),
        "after": ends.filter(~pl.col("late")),
    }
    return drawing.over(rows, _at_work(length_ms(window), machines.height, look))


def _ends(machines: pl.DataFrame, window: Window) -> pl.DataFrame:
    """What is likely to end a machine's night, and where it is said."""
    kinds = [("first_stop_at", "if it stops, about then", ROW_PX - 8), ("bars_out_at", "bars used up", 8)]
    found = [
        machines.select("machine", "row_px", at=column, said=pl.lit(said), words=px(within), bars=pl.lit(within == 8))
        for column, said, within in kinds
    ]
    known = pl.concat(found).filter(pl.col("at").is_between(window.start, window.end))
    late = pl.col("at") > 0.75 * length_ms(window)
    ends = placed(known, "at", window=window)
    return ends.select("at", "said", "words", "bars", top=px(0.0), bottom=px(float(ROW_PX)), late=late)


def _percent(percent: float | pl.Expr) -> pl.Expr:
    return px(ROW_PX * (1 - percent / 100))


@cache
def _at_work(length_ms: int, rows: int, look: Look) -> Spec:
    """The chart without data, for so many machines and a night of so many milliseconds."""
    high = PITCH_PX * rows - (PITCH_PX - ROW_PX)
    at, ends = along(length_ms), over("ends").encode(x=along(length_ms))
    colour = by_test(alt.ColorValue, {"datum.bars": look.ink}, look.stopped)
    dash = by_test(alt.StrokeDashValue, {"datum.bars": [6, 3]}, [2, 3])
    layers = [
        *stacked.clock(length_ms, high, look),
        *_percent_axis(look),
        over("lines")
        .mark_area(color=look.producing, opacity=0.22, line={"color": look.producing, "strokeWidth": 2, "opacity": 1})
        .encode(x=at, y=down("y"), y2=alt.Y2("zero:Q"), detail="machine:N", tooltip=_line_told()),
        ends.mark_rule(strokeWidth=2).encode(y=down("top"), y2=alt.Y2("bottom:Q"), color=colour, strokeDash=dash),
        *(_words(name, at, look, **where) for name, where in WORDS.items()),
    ]
    padding = {"left": 4, "right": 8, "top": 0, "bottom": 2}
    chart = alt.VConcatChart(vconcat=[alt.LayerChart(layer=layers, height=high)], padding=padding, bounds="flush")
    return stacked.specified(in_look(chart, look))


def _words(name: str, at: alt.X, look: Look, **where: Any) -> alt.Chart:
    words = over(name).mark_text(color=look.ink, fontSize=11, **where)
    return words.encode(x=at, y=down("words"), text=alt.Text("said:N"))


def _percent_axis(look: Look) -> list[alt.Chart]:
    name = over("axes").mark_text(angle=270, x=-50, color=look.ink, fontSize=13, fontWeight="bold", limit=PITCH_PX)
    return stacked.axis(name.encode(text=alt.Text("machine:N")), look)


def _line_told() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("at_local:N", title="clock"),
        alt.Tooltip("percent:Q", title="still at work [%]", format=".0f"),
    ]


def parts(rows: pl.DataFrame, look: Look) -> Spec:
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
    return drawing.over(shown, _parts(len(shown), look))


@cache
def _parts(rows: int, look: Look) -> Spec:
    y = alt.Y(
        "machine:N", sort=drawing.AS_ROWS, title=None, axis=alt.Axis(ticks=False, domain=False, labelFontWeight="bold")
    )
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
    base = alt.Chart(drawing.ROWS)
    bar = base.mark_bar(size=9, color=look.producing, opacity=0.45).encode(x=x, x2=alt.X2("high:Q"), y=y, tooltip=tip)
    dot = base.mark_point(filled=True, size=70, color=look.producing, opacity=1).encode(
        x=alt.X("mean:Q", scale=scale), y=y, tooltip=tip
    )
    plan = base.mark_tick(color=look.ink, thickness=3, size=18).encode(x=alt.X("plan:Q", scale=scale), y=y, tooltip=tip)
    return drawing.specification(in_look(alt.LayerChart(layer=[bar, dot, plan], height=30 * rows + 45), look))


def fixes(rows: pl.DataFrame, look: Look) -> Spec:
    """What to fix first: parts a night gained without each cause.

    Parameters
    ----------
    rows : DataFrame
        `Tonight.fixes`.
    """
    shown = rows.head(FIXES).select(
        "cause", "gained_parts", "worst", "worst_parts", "seen",
        said=pl.format("{} parts, most on {}", pl.col("gained_parts").round(1), "worst"),
    )  # fmt: skip
    return drawing.over(shown, _fixes(len(shown), look))


@cache
def _fixes(rows: int, look: Look) -> Spec:
    y = alt.Y("cause:N", sort=drawing.AS_ROWS, title=None, axis=alt.Axis(labelLimit=210, ticks=False, domain=False))
    x = alt.X("gained_parts:Q", title="parts gained a night without it", axis=alt.Axis(tickCount=5))
    tip = [
        alt.Tooltip("cause:N"),
        alt.Tooltip("gained_parts:Q", title="parts a night", format=".1f"),
        alt.Tooltip("worst:N", title="most of it on"),
        alt.Tooltip("worst_parts:Q", title="there", format=".1f"),
        alt.Tooltip("seen:Q", title="stops seen"),
    ]
    base = alt.Chart(drawing.ROWS)
    bars = base.mark_bar(size=14, color=look.stopped).encode(x=x, y=y, tooltip=tip)
    words = base.mark_text(align="left", dx=5, color=look.ink, fontSize=11).encode(x=x, y=y, text=alt.Text("said:N"))
    return drawing.specification(in_look(alt.LayerChart(layer=[bars, words], height=24 * max(rows, 1) + 45), look))


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

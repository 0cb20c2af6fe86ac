"""Rows under one clock, a machine each, as one chart: where each row lies is in its data.

A browser plans such a chart once and draws other rows in it; over a chart for each row it takes five times as long.
"""

from collections.abc import Sequence
from typing import Any, Final

import altair as alt
import drawing
import polars as pl
from clock import hour_ticks
from picture import Spec
from theme import Look

from runlog.figures.window import Window

HOURS: Final = "hours"
"""Name of the data that `clock` draws: `hours_of`."""


def tops(machines: Sequence[str], pitch_px: int) -> pl.DataFrame:
    """Where the row of each machine begins, from the top (`row_px`). [px]"""
    at = [float(pitch_px * number) for number in range(len(machines))]
    return pl.DataFrame({"machine": list(machines), "row_px": at}, {"machine": pl.String, "row_px": pl.Float64})


def in_rows(frame: pl.DataFrame, tops: pl.DataFrame) -> pl.DataFrame:
    """What is told of machines that have a row, and where this is."""
    return frame.join(tops, on="machine", how="inner", maintain_order="left")


def px(within: float | pl.Expr) -> pl.Expr:
    """A place in a machine's row as one in the chart. [px]"""
    return pl.col("row_px") + within


def hours_of(window: Window) -> pl.DataFrame:
    """Full hours of a window, and what they are called."""
    return pl.DataFrame(hour_ticks(window), schema={"at": pl.Float64, "said": pl.String}, orient="row")


def over(name: str) -> alt.Chart:
    """Marks over data that are put to them later, by their name."""
    return alt.Chart(drawing.data_of(name))


def down(field: str) -> alt.Y:
    """A place from the top, in pixels."""
    return alt.Y(f"{field}:Q", scale=None, axis=None)


def along(length_ms: int, field: str = "at") -> alt.X:
    """A moment, as `clock.since_start` counts it, in a window of so many milliseconds."""
    return alt.X(f"{field}:Q", scale=alt.Scale(domain=[0, length_ms], nice=False, zero=False), axis=None)


def clock(length_ms: int, high: int, look: Look) -> list[alt.Chart]:
    """Full hours: their clock time on top, and a line down all rows."""
    hours = over(HOURS).encode(x=along(length_ms))
    words: dict[str, Any] = {"baseline": "bottom", "color": look.ink}
    title = alt.Chart(alt.InlineData([{"said": "clock"}])).mark_text(**words, y=-8, x=-22, align="right", fontSize=11)
    return [
        hours.mark_rule(color=look.rule, opacity=0.6).encode(y=alt.YValue(0), y2=alt.Y2Value(high)),
        hours.mark_rule(color=look.faint).encode(y=alt.YValue(-5), y2=alt.Y2Value(0)),
        hours.mark_text(**words, y=-7, fontSize=12).encode(text=alt.Text("said:N")),
        title.encode(text=alt.Text("said:N")),
    ]


def axis(name: alt.Chart, look: Look) -> list[alt.Chart]:
    """At the left of each row a line, ticks with numbers, and what they are of.

    Parameters
    ----------
    name : Chart
        Text over the data `axes`, which tell where each row's line begins and ends, and its middle (`zero`, `high`,
        `middle`). The data `labels` tell where numbers stand and what they say (`y`, `said`).
    look : Look
    """
    labels = over("labels")
    return [
        over("axes").mark_rule(color=look.faint).encode(x=alt.XValue(0), y=down("zero"), y2=alt.Y2("high:Q")),
        name.encode(y=down("middle")),
        labels.mark_rule(color=look.faint).encode(x=alt.XValue(-5), x2=alt.X2Value(0), y=down("y")),
        labels.mark_text(align="right", x=-7, color=look.ink, fontSize=12).encode(y=down("y"), text=alt.Text("said:N")),
    ]


def specified(chart: Any) -> Spec:
    """A chart without the data that are put to it; what is the same every night stands with its marks.

    Streamlit makes an Arrow table of each frame that stands apart.
    """
    told = drawing.specification(chart)
    return _with_its_data(told, told.pop("datasets"))


def _with_its_data(part: Spec, rows: dict[str, Any]) -> Spec:
    name = part.get("data", {}).get("name")
    own = {"data": {"values": rows[name]}} if name in rows else {}
    inner = {kind: [_with_its_data(one, rows) for one in part[kind]] for kind in ("vconcat", "layer") if kind in part}
    return part | own | inner

"""The night's drawing before it has a row: its key, and how each part of a machine's row is drawn.

Specified once for each length of a night and number of rows; `night_rows` says what is put to it.
"""

from functools import cache
from typing import Any, Final

import altair as alt
import drawing
import stacked
from clock import in_look
from marks import bar_changes, blocks, key
from picture import Spec
from stacked import along, down, over
from theme import GAP_PX, ROW_PX, Look

LEFT_PX: Final = 54
"""Room for the parts axis."""


@cache
def form(length_ms: int, rows: int, look: Look) -> Spec:
    """The drawing without data.

    Parameters
    ----------
    length_ms : int
        Of the night. [ms]
    rows : int
        How many machines.
    look : Look
    """
    high = max(ROW_PX * rows - GAP_PX, 1)
    chart = alt.VConcatChart(
        vconcat=[key(look), alt.LayerChart(layer=_layers(length_ms, high, look), height=high)],
        spacing=GAP_PX,
        bounds="flush",
        padding={"left": 2, "right": 6, "top": 0, "bottom": 4},
    )
    return stacked.specified(in_look(chart, look).resolve_scale(x="independent", y="independent", shape="independent"))


@cache
def names(look: Look) -> Spec:
    """A layer that names the machine of each row at its left, for a drawing without the list beside it."""
    words = over("names").mark_text(align="right", limit=160, color=look.ink, fontSize=13, fontWeight="bold")
    told = drawing.specification(words.encode(x=alt.XValue(-LEFT_PX - 6), y=down("y"), text=alt.Text("machine:N")))
    return {part: told[part] for part in ("data", "mark", "encoding")}


def _layers(length_ms: int, high: int, look: Look) -> list[alt.Chart]:
    """Everything in the rows, the lowest first."""
    at, start = along(length_ms), along(length_ms, "start")
    return [
        *stacked.clock(length_ms, high, look),
        *_parts_axis(look),
        # The plan lies under the parts made: where both run together, the parts are seen.
        over("planned")
        .mark_line(strokeDash=[5, 3], strokeWidth=1.5, color=look.ink, clip=True)
        .encode(x=at, y=down("y"), detail="machine:N", tooltip=_clocked("planned", "parts planned")),
        over("made")
        .mark_area(
            interpolate="step-after",
            color=look.producing,
            opacity=0.16,
            clip=True,
            line={"color": look.producing, "strokeWidth": 2, "opacity": 1},
        )
        .encode(
            x=at, y=down("y"), y2=alt.Y2("zero:Q"), detail="machine:N", tooltip=_clocked("made", "parts made")
        ),
        *_shortfall(at, look),
        *_strip(start, look),
        bar_changes(drawing.data_of("changes"), look).encode(x=start, y=down("y"), tooltip=_change_told()),
        *_remarks(at, high, look),
    ]  # fmt: skip


def _parts_axis(look: Look) -> list[alt.Chart]:
    name = over("axes").mark_text(angle=270, x=2 - LEFT_PX, baseline="top", color=look.ink, fontSize=11)
    return stacked.axis(name.encode(text=alt.TextValue("parts")), look)


def _shortfall(at: alt.X, look: Look) -> list[alt.Chart]:
    short = over("short").encode(x=at)
    words = short.mark_text(align="right", dx=-9, color=look.ink, fontSize=12, fontWeight="bold")
    return [
        short.mark_rule(strokeWidth=4, color=look.stopped, xOffset=-2).encode(y=down("made"), y2=alt.Y2("planned:Q")),
        words.encode(y=down("words"), text=alt.Text("said:N")),
    ]


def _strip(start: alt.X, look: Look) -> list[alt.Chart]:
    """Spans, and words over some of them; those of a stop lead to what is known of it."""
    spans = blocks(drawing.data_of("spans")).encode(x=start, x2=alt.X2("end:Q"), tooltip=_span_told())
    words = over("named").mark_text(**_small(look), dx=8)
    named = words.encode(x=start, y=down("y"), text=alt.Text("said:N"), tooltip=_span_told())
    return [layer for one in (spans, named) for layer in _leading_if_a_stop(one)]


def _leading_if_a_stop(drawn: alt.Chart) -> list[alt.Chart]:
    """Two layers: where nothing is to be followed the browser would follow "null"."""
    return [
        drawn.transform_filter("!isValid(datum.href)"),
        drawn.transform_filter("isValid(datum.href)").encode(href=alt.Href("href:N")),
    ]


def _remarks(at: alt.X, high: int, look: Look) -> list[alt.Chart]:
    """Where the log ends, and what is said in a row besides its strip."""
    end = over("end").mark_rule(color=look.ink, strokeDash=[2, 2])
    said = over("remarks").mark_text(**_small(look), dx=5)
    return [
        end.encode(x=at, y=alt.YValue(0), y2=alt.Y2Value(high)),
        said.encode(x=at, y=down("y"), text=alt.Text("said:N")),
    ]


def _small(look: Look) -> dict[str, Any]:
    return {"align": "left", "baseline": "bottom", "color": look.ink, "fontSize": 11}


# --- what the mouse tells ------------------------------------------------------------------------


def _clocked(field: str, title: str) -> list[alt.Tooltip]:
    return [alt.Tooltip("at_local:N", title="clock"), alt.Tooltip(f"{field}:Q", title=title, format=".0f")]


def _span_told() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("kind:N"),
        alt.Tooltip("cause:N"),
        alt.Tooltip("start_local:N", title="from"),
        alt.Tooltip("end_local:N", title="to"),
        alt.Tooltip("minutes:Q", title="length [min]", format=".1f"),
    ]


def _change_told() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("outcome:N", title="bar change"),
        alt.Tooltip("start_local:N", title="from"),
        alt.Tooltip("duration_s:N", title="took [s]"),
        alt.Tooltip("planned_s:N", title="planned [s]"),
        alt.Tooltip("attempts:N", title="attempts"),
        alt.Tooltip("first_out_code:N", title="code"),
        alt.Tooltip("first_out_text:N", title="alarm"),
    ]

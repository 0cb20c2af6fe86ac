"""Charts as functions from frames to Altair: they place what `figures` says, and compute no figure.

A browser would show instants in its own zone, so instants go in as milliseconds and local clock times as
ready labels: the site's time is read everywhere, and an hour that the clocks repeat is drawn twice.
"""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import altair as alt
import polars as pl
from theme import HEAD_PX, OUTLINED, ROW_PX, Look

from runlog.figures.night import NightReview, Window

GAP_PX: Final = 14
PLOT_PX: Final = ROW_PX - GAP_PX
AXIS_PX: Final = 40
"""Room for the parts axis, the same in every row so that the clocks of all rows stand under each other."""

LINE_PX: Final = (46, 1)
"""Where the lines of made and planned parts run: none made, and the most."""
TICK_PX: Final = 53
"""Where bar changes are marked."""
STRIP_PX: Final[dict[str, tuple[float, float]]] = {
    "producing": (60, 74),
    "reloading": (57, 74),
    "setting": (60, 66),
    "stopped": (68, 74),
    "no signal": (66.2, 67.8),
}
"""Top and bottom of each kind of span: no two kinds share both."""

SHAPES: Final[dict[str, str]] = {
    "clean": "M0,-0.9L0,0.9",
    "slow": "diamond",
    "retried": "triangle-up",
    "failed": "triangle-down",
    "empty": "square",
    "unclear": "circle",
}
"""Shape of a bar change by its outcome."""
FILLED: Final = ("retried", "failed")
"""Faults are filled, the rest hollow."""

_IS_FAULT: Final = " || ".join(f"datum.outcome == '{outcome}'" for outcome in FILLED)
_MS: Final = pl.Float64()


def night_drawing(review: NightReview, machines: Sequence[str], look: Look) -> alt.VConcatChart:
    """The night, one row a machine: parts made against the plan, and below it the strip of the machine's time.

    Parameters
    ----------
    review : NightReview
    machines : sequence of str
        Which rows, from the top.
    look : Look
        Colours of the theme.
    """
    rows = [_row(review, machine, look, first=number == 0) for number, machine in enumerate(machines)]
    padding = {"left": 2, "right": 6, "top": 0, "bottom": 4}
    chart = alt.vconcat(_key(look), *rows, spacing=GAP_PX, bounds="flush", padding=padding)
    return _in_look(chart, look).resolve_scale(x="independent", y="independent")


def time_by_cause(time: pl.DataFrame, look: Look) -> alt.LayerChart:
    """Where a machine's planned time went, one bar a line of the loss account.

    Parameters
    ----------
    time : DataFrame
        `NightReview.time` of one machine.
    """
    order = pl.col("line").is_in(["good parts", "parts made"])
    shown = time.sort(~order, "seconds", descending=[False, True]).select(
        label=line_words(), hours=pl.col("seconds") / 3600, parts="parts", made=order, said=_bar_words()
    )
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=260, ticks=False, domain=False))
    x = alt.X("hours:Q", title="time [h]", axis=alt.Axis(tickCount=8))
    colour = alt.condition("datum.made", alt.value(look.producing), alt.value(look.stopped))
    bars = alt.Chart(shown).mark_bar(size=14).encode(x=x, y=y, color=colour, tooltip=["label:N", "said:N"])
    words = (
        alt.Chart(shown)
        .mark_text(align="left", dx=5, color=look.ink, fontSize=12)
        .encode(x=alt.X("past:Q", title="time [h]"), y=y, text="said:N")
        .transform_calculate(past="max(datum.hours, 0)")
    )
    return _in_look(alt.layer(bars, words).properties(height=26 * max(len(shown), 1), width="container"), look)


def line_words() -> pl.Expr:
    """A line of the account as people say it: a stop by its cause."""
    return (
        pl.when(pl.col("line") == "stops")
        .then("cause")
        .when(pl.col("line") == "minor stops")
        .then(pl.format("minor stops: {}", "cause"))
        .otherwise("line")
    )


def _bar_words() -> pl.Expr:
    hours, parts = pl.col("seconds") / 3600, pl.col("parts")
    in_parts = pl.format(", {} parts", parts.round(1)).fill_null("")
    minutes = pl.format("{} min", (pl.col("seconds") / 60).round(1))
    return pl.when(hours.abs() < 1).then(minutes).otherwise(pl.format("{} h", hours.round(2))) + in_parts


# --- one machine's row ---------------------------------------------------------------------------


def _row(review: NightReview, machine: str, look: Look, *, first: bool) -> alt.LayerChart:
    window, here = review.window, pl.col("machine") == machine
    facts = review.machines.filter(here).row(0, named=True)
    layers = [
        *_lines(review.line.filter(here), facts, window, look, axis=hour_axis(window, look, labels=first)),
        *_strip(review.strip.filter(here), window, look),
        _bar_changes(review.reloads.filter(here), window, look),
    ]
    if window.running:
        layers.append(_log_end(window, look))
    return alt.layer(*layers).properties(height=PLOT_PX)


def _lines(line: pl.DataFrame, facts: dict[str, Any], window: Window, look: Look, axis: alt.Axis) -> list[alt.Chart]:
    planned = line.drop_nulls("planned")
    made = line.drop_nulls("made")
    full = max(planned["planned"].max() or 0, made["made"].max() or 0, 1)  # type: ignore[type-var]
    scale = alt.Scale(domain=[0, full], range=list(LINE_PX), nice=False)
    y_axis = alt.Axis(
        values=[0, int(full)],
        title="parts",
        minExtent=AXIS_PX,
        maxExtent=AXIS_PX,
        grid=False,
        titleY=24,
        titlePadding=2,
    )
    x = _x(window, axis)
    base = alt.Chart(_local(made, "at", window.zone))
    area = base.mark_area(interpolate="step-after", color=look.producing, opacity=0.16).encode(
        x=x, y=alt.Y("made:Q", scale=scale, axis=y_axis), y2=alt.datum(0)
    )
    steps = base.mark_line(interpolate="step-after", color=look.producing, strokeWidth=2, clip=True).encode(
        x=x,
        y=alt.Y("made:Q", scale=scale, axis=y_axis),
        tooltip=[alt.Tooltip("at_local:N", title="clock"), alt.Tooltip("made:Q", title="parts made", format=".0f")],
    )
    plan = (
        alt.Chart(_local(planned, "at", window.zone))
        .mark_line(strokeDash=[5, 3], strokeWidth=1.5, color=look.ink, clip=True)
        .encode(
            x=x,
            y=alt.Y("planned:Q", scale=scale, axis=y_axis),
            tooltip=[
                alt.Tooltip("at_local:N", title="clock"),
                alt.Tooltip("planned:Q", title="parts planned", format=".0f"),
            ],
        )
    )
    return [area, plan, steps, *_shortfall(facts, window, scale, look, x)]


def _shortfall(facts: dict[str, Any], window: Window, scale: alt.Scale, look: Look, x: alt.X) -> list[alt.Chart]:
    """A bracket from made to planned where the log ends; left out where it would be a dot."""
    made, planned, lost = float(facts["parts"]), facts["planned_parts"], facts["parts_lost"]
    if not planned or lost < 0.12 * planned:
        return []
    # The words stand beside the bracket where there is little under the line, else under it: above runs the plan.
    beside = made < 0.35 * planned
    row = pl.DataFrame(
        {
            "at": [_ms(window.seen_to)],
            "made": [made],
            "planned": [planned],
            "words_at": [(made + planned) / 2 if beside else made],
            "said": [f"{lost:.0f} short"],
        }
    )
    base = alt.Chart(row).encode(x=x)
    bracket = base.mark_rule(strokeWidth=4, color=look.stopped, xOffset=-2).encode(
        y=alt.Y("made:Q", scale=scale), y2="planned:Q"
    )
    place: dict[str, Any] = {"baseline": "middle"} if beside else {"baseline": "top", "dy": 4}
    words = base.mark_text(align="right", dx=-9, color=look.ink, fontSize=12, fontWeight="bold", **place).encode(
        y=alt.Y("words_at:Q", scale=scale), text="said:N"
    )
    return [bracket, words]


def _strip(strip: pl.DataFrame, window: Window, look: Look) -> list[alt.Chart]:
    spans = _local(_local(strip, "start", window.zone), "end", window.zone).with_columns(
        minutes=pl.col("seconds") / 60, said=pl.coalesce("cause", "kind")
    )
    layers = [_blocks(spans, kind, window, look) for kind in STRIP_PX]
    # A word takes some 6 px a letter of a strip some 700 px long: where it does not fit, the tooltip has it.
    share = pl.col("seconds") / (window.hours * 3600)
    named = spans.filter(
        pl.col("kind").is_in(["stopped", "no signal"]) & (share > pl.col("said").str.len_chars() * 0.01)
    )
    words = (
        alt.Chart(named)
        .mark_text(align="left", baseline="bottom", dx=8, color=look.ink, fontSize=11, y=67)
        .encode(x=_x(window, field="start"), text="said:N")
    )
    return [*layers, words]


def _blocks(spans: pl.DataFrame, kind: str, window: Window, look: Look) -> alt.Chart:
    top, bottom = STRIP_PX[kind]
    outline = {"stroke": look.ink, "strokeWidth": 0.8} if kind in OUTLINED else {}
    return (
        alt.Chart(spans.filter(pl.col("kind") == kind))
        .mark_rect(color=look.fill(kind), y=top, y2=bottom, clip=True, **outline)
        .encode(
            x=_x(window, field="start"),
            x2="end:Q",
            tooltip=[
                alt.Tooltip("kind:N"),
                alt.Tooltip("said:N", title="cause"),
                alt.Tooltip("start_local:N", title="from"),
                alt.Tooltip("end_local:N", title="to"),
                alt.Tooltip("minutes:Q", title="length [min]", format=".1f"),
            ],
        )
    )


def _bar_changes(reloads: pl.DataFrame, window: Window, look: Look) -> alt.Chart:
    rated = reloads.filter(~pl.col("hand_load")).with_columns(outcome=pl.col("outcome").fill_null("unclear"))
    return (
        alt.Chart(_local(rated, "start", window.zone))
        .mark_point(y=TICK_PX, stroke=look.ink, strokeWidth=1.3, opacity=1)
        .encode(
            x=_x(window, field="start"),
            shape=_shape(),
            size=_size(),
            fill=_fill(look),
            tooltip=[
                alt.Tooltip("outcome:N", title="bar change"),
                alt.Tooltip("start_local:N", title="from"),
                alt.Tooltip("duration_s:Q", title="took [s]", format=".0f"),
                alt.Tooltip("planned_s:Q", title="planned [s]", format=".0f"),
                alt.Tooltip("attempts:Q", title="attempts"),
                alt.Tooltip("first_out_code:N", title="code"),
                alt.Tooltip("first_out_text:N", title="alarm"),
            ],
        )
    )


def _shape() -> alt.Shape:
    return alt.Shape("outcome:N", scale=alt.Scale(domain=list(SHAPES), range=list(SHAPES.values())), legend=None)


def _size() -> dict[str, Any]:
    return alt.condition(_IS_FAULT, alt.value(75), alt.value(44))


def _fill(look: Look) -> dict[str, Any]:
    return alt.condition(_IS_FAULT, alt.value(look.stopped), alt.value(look.paper))


def _log_end(window: Window, look: Look) -> alt.LayerChart:
    base = alt.Chart(pl.DataFrame({"at": [_ms(window.seen_to)], "said": ["log ends"]})).encode(x=_x(window))
    rule = base.mark_rule(color=look.ink, strokeDash=[2, 2])
    return rule + base.mark_text(align="left", dx=4, y=8, color=look.ink, fontSize=11).encode(text="said:N")


# --- the clock -----------------------------------------------------------------------------------


def hour_axis(window: Window, look: Look, *, labels: bool) -> alt.Axis:
    """The clock of the site along the night; the first row has it on top, the others its lines."""
    ticks = hour_ticks(window)
    words = ", ".join(f"'{at}': '{label}'" for at, label in ticks)
    return alt.Axis(
        values=[at for at, _ in ticks],
        labelExpr=f"{{{words}}}[datum.value]" if labels else "''",
        labels=labels,
        ticks=labels,
        domain=False,
        orient="top",
        title=None,
        grid=True,
        gridColor=look.rule,
        gridOpacity=0.6,
        labelBound=False,
        labelFlush=False,
        labelOverlap=False,
    )


def hour_ticks(window: Window) -> list[tuple[int, str]]:
    """Full local hours of the night, as milliseconds and labels; the zone's name where the clocks change.

    Long windows get fewer: no more than a dozen labels.
    """
    zone = ZoneInfo(window.zone)
    step = next(hours for hours in (1, 2, 3, 4, 6, 12, 24, 10**6) if window.hours / hours <= 12)
    start, end = window.start.astimezone(zone), window.end.astimezone(zone)
    clock = "%H:%M %Z" if start.utcoffset() != end.utcoffset() else "%a %H:%M" if window.hours > 24 else "%H:%M"
    first = window.start.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    hours = [first + timedelta(hours=number) for number in range(int(window.hours) + 2)]
    inside = [at for at in hours if window.start <= at <= window.end]
    return [(_ms(at), f"{at.astimezone(zone):{clock}}") for at in inside if at.astimezone(zone).hour % step == 0]


def _x(window: Window, axis: alt.Axis | None = None, field: str = "at") -> alt.X:
    scale = alt.Scale(domain=[_ms(window.start), _ms(window.end)], nice=False, zero=False)
    # Layers share one axis: only the first names it, the others must leave it alone.
    return alt.X(f"{field}:Q", scale=scale, **({"axis": axis} if axis else {}))


def _local(frame: pl.DataFrame, name: str, zone: str) -> pl.DataFrame:
    """Add the instant's local clock as text, and make the instant a number."""
    clock = pl.col(name).dt.convert_time_zone(zone).dt.strftime("%a %H:%M:%S")
    return frame.with_columns(clock.alias(f"{name}_local"), pl.col(name).dt.epoch("ms").cast(_MS))


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)


# --- how to read it ------------------------------------------------------------------------------


KEY_PX: Final = {
    "lines": {"parts made": 0, "planned": 98},
    "outcomes": {"clean": 258, "slow": 310, "retried": 358, "failed": 420, "empty": 476, "unclear": 534},
    "kinds": {"producing": 0, "reloading": 98, "setting": 196, "stopped": 276, "no signal": 358},
}
"""Where each sample begins, from the left."""
_WIDE: Final = 18


def _key(look: Look) -> alt.LayerChart:
    """Every mark of the drawing once, with its name, drawn as it is drawn below."""
    upper, lower = 8.0, 27.0
    lines, outcomes, kinds = (
        pl.DataFrame({"said": list(places), "x": list(places.values())}).with_columns(x2=pl.col("x") + _WIDE)
        for places in KEY_PX.values()
    )
    outcomes = outcomes.with_columns(outcome="said", x=pl.col("x") + 10)
    heading = pl.DataFrame({"said": ["bar changes:"], "x2": [172]})
    pixels = alt.Scale(domain=[0, 600], range=[0, 600])
    x = alt.X("x:Q", scale=pixels, axis=None)
    strokes = [
        alt.Chart(lines[at]).mark_rule(y=upper, color=colour, **more).encode(x=x, x2="x2:Q")
        for at, colour, more in (
            (0, look.producing, {"strokeWidth": 2}),
            (1, look.ink, {"strokeWidth": 1.5, "strokeDash": [5, 3]}),
        )
    ]
    samples = [_sample(kinds.filter(pl.col("said") == kind), kind, lower, x, look) for kind in STRIP_PX]
    marks = (
        alt.Chart(outcomes)
        .mark_point(y=upper, stroke=look.ink, strokeWidth=1.3, opacity=1)
        .encode(x=x, shape=_shape(), size=_size(), fill=_fill(look))
    )
    words = [
        alt.Chart(named)
        .mark_text(align="left", baseline="middle", dx=5, y=y, color=look.ink, fontSize=12)
        .encode(x=alt.X("x2:Q", scale=pixels, axis=None), text="said:N")
        for named, y in ((lines, upper), (outcomes, upper), (heading, upper), (kinds, lower))
    ]
    return alt.layer(*strokes, *samples, marks, *words).properties(height=HEAD_PX - GAP_PX)


def _sample(row: pl.DataFrame, kind: str, y: float, x: alt.X, look: Look) -> alt.Chart:
    middle = sum(STRIP_PX["producing"]) / 2
    top, bottom = (y + edge - middle for edge in STRIP_PX[kind])
    outline = {"stroke": look.ink, "strokeWidth": 0.8} if kind in OUTLINED else {}
    return alt.Chart(row).mark_rect(color=look.fill(kind), y=top, y2=bottom, **outline).encode(x=x, x2="x2:Q")


def _in_look(chart: Any, look: Look) -> Any:
    axis = {
        "labelColor": look.ink,
        "titleColor": look.ink,
        "tickColor": look.faint,
        "domainColor": look.faint,
        "gridColor": look.rule,
        "labelFontSize": 12,
        "titleFontSize": 11,
        "titleFontWeight": "normal",
    }
    font = '"Source Sans", "Source Sans Pro", sans-serif'
    return chart.configure(background="transparent", font=font).configure_view(stroke=None).configure_axis(**axis)

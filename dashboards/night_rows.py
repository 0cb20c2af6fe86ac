"""Rows of the night's drawing, a machine each, as Vega-Lite.

Each mark is made in Altair once for all rows, which take it with what is theirs. Altair copies a chart with all its
data whenever it is put into another: so made, the rows would take longer than all the figures in them.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final
from urllib.parse import urlencode

import altair as alt
import drawing
import polars as pl
import polars.selectors as cs
from clock import along, hour_axis, ms, placed
from marks import LINE_PX, bar_changes, blocks, in_blocks
from picture import Spec
from theme import GAP_PX, ROW_PX, Look

from runlog.figures.night import NightReview, Window

AXIS_PX: Final = 40
"""Room for the parts axis, the same in every row so that the clocks of all rows stand under each other."""
SHORT_SHARE: Final = 0.12
"""Share of the plan from which parts missing get a bracket: less would be a dot."""

Rows = list[dict[str, Any]]


def rows_of(review: NightReview, machines: Sequence[str], look: Look) -> list[Spec]:
    """Parts made against the plan, and below it the strip of the machine's time: a row for each of these machines."""
    told = _told(review, machines, look)
    marks = _marks(review.window, look)
    facts = {one["machine"]: one for one in review.machines.iter_rows(named=True)}
    first_line, line = ({**marks, **_lines(review.window, look, labels=labels)} for labels in (True, False))
    return [
        _row(facts[machine], told[machine], line if number else first_line, review.window)
        for number, machine in enumerate(machines)
    ]


def _row(facts: dict[str, Any], told: Mapping[str, Rows], marks: Mapping[str, Spec], window: Window) -> Spec:
    made, planned = told["made"], told["planned"]
    full = max([1.0, *(one["made"] for one in made), *(one["planned"] for one in planned)])
    scale = {"domain": [0, full], "nice": False, "range": list(LINE_PX)}
    axis = marks["parts"] | {"values": [0, int(full)]}
    layers = [
        # The plan lies under the parts made: where both run together, the parts are seen.
        _along(marks["planned"], planned, scale=scale, axis=axis),
        _along(marks["made"], made, scale=scale, axis=axis),
        *_shortfall(facts, window, marks, scale),
        *_strip(told, window, marks),
        _drawn(marks["changes"], told["changes"]),
        *(_log_end(window, marks) if window.running else []),
    ]
    return {"layer": layers, "height": ROW_PX - GAP_PX}


def _shortfall(facts: dict[str, Any], window: Window, marks: Mapping[str, Spec], scale: Spec) -> list[Spec]:
    """A bracket from made to planned where the log ends."""
    made, planned, lost = float(facts["parts"]), facts["planned_parts"], facts["parts_lost"]
    if not planned or lost < SHORT_SHARE * planned:
        return []
    # The words stand beside the bracket where there is little under the line, else under it: above runs the plan.
    beside = made < 0.35 * planned
    at = {"at": ms(window.seen_to), "made": made, "planned": planned}
    said = {"words_at": (made + planned) / 2 if beside else made, "said": f"{math.floor(planned) - made:.0f} short"}
    words = marks["short, beside" if beside else "short, under"]
    return [_along(mark, [at | said], scale=scale) for mark in (marks["bracket"], words)]


def _strip(told: Mapping[str, Rows], window: Window, marks: Mapping[str, Spec]) -> list[Spec]:
    if not told["spans"]:
        return [_drawn(marks["remark"], [{"at": ms(window.start), "said": "no log of this night"}])]
    return [_drawn(marks["spans"], told["spans"]), _drawn(marks["named"], told["named"])]


def _log_end(window: Window, marks: Mapping[str, Spec]) -> list[Spec]:
    end = [{"at": ms(window.seen_to), "said": "log ends"}]
    return [_drawn(marks["end"], end), _drawn(marks["remark"], end)]


def _drawn(mark: Spec, rows: Rows) -> Spec:
    return {"data": {"values": rows}, **mark}


def _along(mark: Spec, rows: Rows, **y: Spec) -> Spec:
    """A mark along a row's own scale of parts."""
    encoding = mark["encoding"] | {"y": mark["encoding"]["y"] | y}
    return _drawn(mark | {"encoding": encoding}, rows)


# --- what is drawn -------------------------------------------------------------------------------


def _told(review: NightReview, machines: Sequence[str], look: Look) -> dict[str, dict[str, Rows]]:
    """What each machine's row draws, by the name of its mark."""
    window, here = review.window, pl.col("machine").is_in(list(machines))
    spans = _spans(review.strip.filter(here), machines, window)
    # A line along zero would say that nothing was made where nothing is known.
    logged = pl.col("machine").is_in(spans["machine"].unique().to_list())
    line = placed(review.line.filter(here), "at", zone=window.zone)
    rated = review.reloads.filter(here & ~pl.col("hand_load"))
    # A letter takes about a hundredth of the strip: where a word does not fit, the tooltip has it.
    fits = pl.col("seconds") / (window.hours * 3600) > pl.col("said").str.len_chars() * 0.01
    named = spans.filter(pl.col("kind").is_in(["stopped", "no signal", "setting"]) & fits)
    frames = {
        "planned": line.drop_nulls("planned").select("machine", "at", "planned", "at_local"),
        "made": line.drop_nulls("made").filter(logged).select("machine", "at", "made", "at_local"),
        "spans": in_blocks(spans, look).drop("seconds", "said"),
        "named": named.drop("seconds", "end"),
        "changes": placed(rated, "start", zone=window.zone).select(
            "machine", "start", "start_local", "duration_s", "planned_s", "attempts",
            pl.col("first_out_code", "first_out_text").fill_null("–"), outcome=pl.col("outcome").fill_null("unclear"),
        ),
    }  # fmt: skip
    parts = {name: _by_machine(frame) for name, frame in frames.items()}
    return {machine: {name: part.get(machine, []) for name, part in parts.items()} for machine in machines}


def _by_machine(frame: pl.DataFrame) -> dict[str, Rows]:
    # JSON has no word for what is not finite.
    finite = frame.with_columns(pl.when(cs.float().is_finite()).then(cs.float()))
    groups = finite.partition_by("machine", maintain_order=True, include_key=False, as_dict=True)
    return {str(machine): rows.to_dicts() for (machine,), rows in groups.items()}


def _spans(strip: pl.DataFrame, machines: Sequence[str], window: Window) -> pl.DataFrame:
    return placed(strip, "start", "end", zone=window.zone).select(
        "machine", "kind", "start", "end", "start_local", "end_local", "seconds",
        # The mouse would tell of a cause "null".
        cause=pl.col("cause").fill_null("–"),
        minutes=pl.col("seconds") / 60,
        said=pl.coalesce("cause", "kind"),
        href=_to_its_stop(machines, window),
    )  # fmt: skip


def _to_its_stop(machines: Sequence[str], window: Window) -> pl.Expr:
    """The address of the page that tells about a stop; nothing for other spans."""
    night = window.night.isoformat()
    pages = {machine: f"?{urlencode({'night': night, 'stop': f'{machine} '})}" for machine in machines}
    begun = pl.col("stop_start").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    to_page = pl.col("machine").replace_strict(pages, return_dtype=pl.String)
    return pl.when(pl.col("stop_start").is_not_null()).then(pl.concat_str(to_page, begun))


# --- how it is drawn -----------------------------------------------------------------------------


def _lines(window: Window, look: Look, *, labels: bool) -> dict[str, Spec]:
    """Marks of parts made and planned, over the clock with or without its labels."""
    x = along(window, axis=hour_axis(window, look, labels=labels))
    steps = alt.Chart().mark_area(
        interpolate="step-after",
        color=look.producing,
        opacity=0.16,
        clip=True,
        line={"color": look.producing, "strokeWidth": 2, "opacity": 1},
    )
    plan = alt.Chart().mark_line(strokeDash=[5, 3], strokeWidth=1.5, color=look.ink, clip=True)
    return {
        "made": _mark(steps.encode(x=x, y=alt.Y("made:Q"), tooltip=_clocked("made", "parts made"))),
        "planned": _mark(plan.encode(x=x, y=alt.Y("planned:Q"), tooltip=_clocked("planned", "parts planned"))),
    }


def _marks(window: Window, look: Look) -> dict[str, Spec]:
    """All others, and the axis of parts."""
    at, start, said = along(window), along(window, "start"), alt.Text("said:N")
    base = alt.Chart().encode(x=at)
    short: dict[str, Any] = {"align": "right", "dx": -9, "color": look.ink, "fontSize": 12, "fontWeight": "bold"}
    words: dict[str, Any] = {"y": alt.Y("words_at:Q"), "text": said}
    small: dict[str, Any] = {"align": "left", "baseline": "bottom", "color": look.ink, "fontSize": 11}
    bracket = base.mark_rule(strokeWidth=4, color=look.stopped, xOffset=-2)
    spans, changes = pl.DataFrame(schema={"kind": pl.String}), pl.DataFrame(schema={"outcome": pl.String})
    parts = alt.Axis(
        format="d",
        title="parts",
        minExtent=AXIS_PX,
        maxExtent=AXIS_PX,
        grid=False,
        titleY=24,
        titlePadding=2,
    )
    return {
        "parts": parts.to_dict(validate=False),
        "bracket": _mark(bracket.encode(y=alt.Y("made:Q"), y2=alt.Y2("planned:Q"))),
        "short, beside": _mark(base.mark_text(**short, baseline="middle").encode(**words)),
        "short, under": _mark(base.mark_text(**short, baseline="top", dy=4).encode(**words)),
        "spans": _mark(blocks(spans, look).encode(x=start, x2=alt.X2("end:Q"), **_span_told())),
        "named": _mark(alt.Chart().mark_text(**small, dx=8, y=67).encode(x=start, text=said, **_span_told())),
        "changes": _mark(bar_changes(changes, look).encode(x=start, tooltip=_change_told())),
        "end": _mark(base.mark_rule(color=look.ink, strokeDash=[2, 2])),
        "remark": _mark(base.mark_text(**small, dx=5, y=72).encode(text=said)),
    }


def _mark(chart: alt.Chart) -> Spec:
    """A mark and what it shows of a row of its data, whatever these are."""
    told = drawing.specification(chart)
    return {"mark": told["mark"], "encoding": told["encoding"]}


def _clocked(field: str, title: str) -> list[alt.Tooltip]:
    return [alt.Tooltip("at_local:N", title="clock"), alt.Tooltip(f"{field}:Q", title=title, format=".0f")]


def _span_told() -> dict[str, Any]:
    tooltip = [
        alt.Tooltip("kind:N"),
        alt.Tooltip("cause:N"),
        alt.Tooltip("start_local:N", title="from"),
        alt.Tooltip("end_local:N", title="to"),
        alt.Tooltip("minutes:Q", title="length [min]", format=".1f"),
    ]
    return {"href": alt.Href("href:N"), "tooltip": tooltip}


def _change_told() -> list[alt.Tooltip]:
    return [
        alt.Tooltip("outcome:N", title="bar change"),
        alt.Tooltip("start_local:N", title="from"),
        alt.Tooltip("duration_s:Q", title="took [s]", format=".0f"),
        alt.Tooltip("planned_s:Q", title="planned [s]", format=".0f"),
        alt.Tooltip("attempts:Q", title="attempts"),
        alt.Tooltip("first_out_code:N", title="code"),
        alt.Tooltip("first_out_text:N", title="alarm"),
    ]

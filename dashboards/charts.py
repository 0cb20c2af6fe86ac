"""Charts as functions from frames to Altair: they place what `figures` says, and compute no figure."""

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from urllib.parse import urlencode

import altair as alt
import polars as pl
from clock import along, hour_axis, in_look, ms, placed
from marks import LINE_PX, bar_changes, blocks, by_test, key
from picture import BESIDE
from theme import GAP_PX, ROW_PX, Look

from runlog.figures.night import NightReview, Window

AXIS_PX: Final = 40
"""Room for the parts axis, the same in every row so that the clocks of all rows stand under each other."""
SHORT_SHARE: Final = 0.12
"""Share of the plan from which parts missing get a bracket: less would be a dot."""


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
    said = f"Parts made against the plan, and below it the machine's time, over the night: {', '.join(machines)}"
    chart = alt.VConcatChart(
        vconcat=[key(look), *rows],
        spacing=GAP_PX,
        bounds="flush",
        padding=padding,
        description=said,
        # On the page the list beside it names the machines; a picture leaves without the list.
        usermeta={BESIDE: ["", *machines]},
    )
    return in_look(chart, look).resolve_scale(x="independent", y="independent", shape="independent")


def time_by_cause(time: pl.DataFrame, look: Look) -> alt.LayerChart:
    """Where a machine's planned time went, one bar a line of the loss account.

    Parameters
    ----------
    time : DataFrame
        `NightReview.time` of one machine.
    """
    made = pl.col("line").is_in(["good parts", "parts made", "production"])
    shown = time.sort(~made, "seconds", descending=[False, True]).select(
        label=line_words(), hours=pl.col("seconds") / 3600, made=made, said=_bar_words()
    )
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=260, ticks=False, domain=False))
    x = alt.X("hours:Q", title="time [h]", scale=alt.Scale(nice=False), axis=alt.Axis(tickCount=8))
    colour = by_test(alt.ColorValue, {"datum.made": look.producing}, look.stopped)
    bars = (
        alt.Chart(shown)
        .mark_bar(size=14)
        .encode(x=x, y=y, color=colour, tooltip=[alt.Tooltip("label:N"), alt.Tooltip("said:N")])
    )
    words = alt.Chart(shown.with_columns(pl.col("hours").clip(lower_bound=0))).mark_text(
        align="left", dx=5, color=look.ink, fontSize=12
    )
    layers = [bars, words.encode(x=x, y=y, text=alt.Text("said:N"))]
    return in_look(alt.LayerChart(layer=layers, height=26 * len(shown) + 50), look)


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
    line, strip = review.line.filter(here), review.strip.filter(here)
    if strip.is_empty():
        # A line along zero would say that nothing was made; nothing is known.
        line = line.with_columns(made=pl.lit(None, pl.Float64))
    layers = [
        *_lines(line, facts, window, look, axis=hour_axis(window, look, labels=first)),
        *_strip(strip, window, look),
        _bar_changes(review.reloads.filter(here), window, look),
        *(_log_end(window, look) if window.running else []),
    ]
    return alt.LayerChart(layer=layers, height=ROW_PX - GAP_PX)


def _lines(line: pl.DataFrame, facts: dict[str, Any], window: Window, look: Look, axis: alt.Axis) -> list[alt.Chart]:
    made, planned = (placed(line.drop_nulls(name), "at", zone=window.zone) for name in ("made", "planned"))
    full = line.select(pl.max_horizontal(pl.max("made"), pl.max("planned"), 1.0)).item()
    scale = alt.Scale(domain=[0, full], range=list(LINE_PX), nice=False)
    parts = alt.Axis(
        values=[0, int(full)],
        format="d",
        title="parts",
        minExtent=AXIS_PX,
        maxExtent=AXIS_PX,
        grid=False,
        titleY=24,
        titlePadding=2,
    )
    steps = (
        alt.Chart(made)
        .mark_area(
            interpolate="step-after",
            color=look.producing,
            opacity=0.16,
            clip=True,
            line={"color": look.producing, "strokeWidth": 2, "opacity": 1},
        )
        .encode(
            x=along(window, axis=axis),
            y=alt.Y("made:Q", scale=scale, axis=parts),
            tooltip=_clocked("made", "parts made"),
        )
    )
    plan = (
        alt.Chart(planned)
        .mark_line(strokeDash=[5, 3], strokeWidth=1.5, color=look.ink, clip=True)
        .encode(
            x=along(window, axis=axis),
            y=alt.Y("planned:Q", scale=scale, axis=parts),
            tooltip=_clocked("planned", "parts planned"),
        )
    )
    # The plan lies under the parts made: where both run together, the parts are seen.
    return [plan, steps, *_shortfall(facts, window, scale, look)]


def _clocked(field: str, title: str) -> list[alt.Tooltip]:
    return [alt.Tooltip("at_local:N", title="clock"), alt.Tooltip(f"{field}:Q", title=title, format=".0f")]


def _shortfall(facts: dict[str, Any], window: Window, scale: alt.Scale, look: Look) -> list[alt.Chart]:
    """A bracket from made to planned where the log ends."""
    made, planned, lost = float(facts["parts"]), facts["planned_parts"], facts["parts_lost"]
    if not planned or lost < SHORT_SHARE * planned:
        return []
    # The words stand beside the bracket where there is little under the line, else under it: above runs the plan.
    beside = made < 0.35 * planned
    row = pl.DataFrame(
        {
            "at": [ms(window.seen_to)],
            "made": [made],
            "planned": [planned],
            "words_at": [(made + planned) / 2 if beside else made],
            "said": [f"{math.floor(planned) - made:.0f} short"],
        }
    )
    base = alt.Chart(row).encode(x=along(window))
    bracket = base.mark_rule(strokeWidth=4, color=look.stopped, xOffset=-2).encode(
        y=alt.Y("made:Q", scale=scale), y2=alt.Y2("planned:Q")
    )
    place: dict[str, Any] = {"baseline": "middle"} if beside else {"baseline": "top", "dy": 4}
    words = base.mark_text(align="right", dx=-9, color=look.ink, fontSize=12, fontWeight="bold", **place).encode(
        y=alt.Y("words_at:Q", scale=scale), text=alt.Text("said:N")
    )
    return [bracket, words]


def _strip(strip: pl.DataFrame, window: Window, look: Look) -> list[alt.Chart]:
    if strip.is_empty():
        return [_remark("no log of this night", window.start, window, look)]
    spans = placed(strip, "start", "end", zone=window.zone).with_columns(
        minutes=pl.col("seconds") / 60,
        said=pl.coalesce("cause", "kind"),
        href=_to_its_stop(strip["machine"][0], window),
    )
    tiles = blocks(spans, look).encode(
        x=along(window, "start"),
        href=alt.Href("href:N"),
        x2=alt.X2("end:Q"),
        tooltip=[
            alt.Tooltip("kind:N"),
            alt.Tooltip("cause:N"),
            alt.Tooltip("start_local:N", title="from"),
            alt.Tooltip("end_local:N", title="to"),
            alt.Tooltip("minutes:Q", title="length [min]", format=".1f"),
        ],
    )
    # A letter takes about a hundredth of the strip: where a word does not fit, the tooltip has it.
    fits = pl.col("seconds") / (window.hours * 3600) > pl.col("said").str.len_chars() * 0.01
    named = spans.filter(pl.col("kind").is_in(["stopped", "no signal", "setting"]) & fits)
    words = alt.Chart(named).mark_text(align="left", baseline="bottom", dx=8, y=67, color=look.ink, fontSize=11)
    return [tiles, words.encode(x=along(window, "start"), text=alt.Text("said:N"))]


def _to_its_stop(machine: str, window: Window) -> pl.Expr:
    """The address of the page that tells about a stop; nothing for other spans."""
    page = urlencode({"night": window.night.isoformat(), "stop": f"{machine} "})
    begun = pl.col("stop_start").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return pl.when(pl.col("stop_start").is_not_null()).then(pl.concat_str(pl.lit(f"?{page}"), begun))


def _bar_changes(reloads: pl.DataFrame, window: Window, look: Look) -> alt.Chart:
    rated = reloads.filter(~pl.col("hand_load")).with_columns(outcome=pl.col("outcome").fill_null("unclear"))
    return bar_changes(placed(rated, "start", zone=window.zone), look).encode(
        x=along(window, "start"),
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


def _log_end(window: Window, look: Look) -> list[alt.Chart]:
    end = alt.Chart(pl.DataFrame({"at": [ms(window.seen_to)]})).encode(x=along(window))
    return [end.mark_rule(color=look.ink, strokeDash=[2, 2]), _remark("log ends", window.seen_to, window, look)]


def _remark(said: str, at: datetime, window: Window, look: Look) -> alt.Chart:
    remark = alt.Chart(pl.DataFrame({"at": [ms(at)], "said": [said]}))
    words = remark.mark_text(align="left", baseline="bottom", dx=5, y=72, color=look.ink, fontSize=11)
    return words.encode(x=along(window), text=alt.Text("said:N"))

"""Charts about the data: they place what `figures.soundness` says, and compute no figure."""

from typing import Any, Final

import altair as alt
import polars as pl
from clock import in_look
from drawing import AS_ROWS, numbered
from theme import Look

from runlog.figures.log_tells import INFERRED, MISSING, NEEDS, NONE, TOLD

ROW_PX: Final = 24
DATES_PX: Final = 26
NEEDS_PX: Final = 92
"""Room for what stands above the rows."""
WORDS_UP_TO: Final = 56
"""Columns up to which a number fits into a tile."""
BARS: Final = 12
"""Reasons of rejects drawn; the table has all."""

SHAPES: Final[dict[str, str]] = {
    TOLD: "circle",
    INFERRED: "diamond",
    MISSING: "M-0.8,-0.8L0.8,0.8M-0.8,0.8L0.8,-0.8",
    NONE: "M-0.6,0L0.6,0",
}
"""Mark of a need by how it is known."""


def coverage_strip(told: pl.DataFrame, machines: list[str], look: Look) -> alt.LayerChart:
    """A tile a machine and day: plain where the log covers enough; outlined, deeper and with its number where not.

    Parameters
    ----------
    told : DataFrame
        `soundness.coverage`.
    machines : list of str
        Rows from the top.
    look : Look
    """
    planned = told.filter(pl.col("machine").is_in(machines) & pl.col("coverage").is_not_null()).with_columns(
        label=pl.col("day").cast(pl.String),
        missing=1 - pl.col("coverage"),
        planned_h=pl.col("pbt_s") / 3600,
        lost_min=pl.col("no_signal_s") / 60,
        covered=pl.format("{} %", (pl.col("coverage") * 1000).floor() / 10),
        number=(pl.col("coverage") * 100).floor().cast(pl.Int64).cast(pl.String),
        verdict=pl.when("thin").then(pl.lit("below its limit")).otherwise(pl.lit("enough")),
    )
    days = planned["label"].unique().sort()
    x = alt.X("label:O", scale=alt.Scale(domain=days.to_list(), paddingInner=0.12), axis=_days(days))
    y = alt.Y(
        "machine:N",
        scale=alt.Scale(domain=machines, paddingInner=0.2),
        axis=alt.Axis(title=None, ticks=False, domain=False, labelLimit=120, labelFontSize=13),
    )
    tooltip = [
        alt.Tooltip("machine:N"),
        alt.Tooltip("label:N", title="from"),
        alt.Tooltip("covered:N", title="covered"),
        alt.Tooltip("verdict:N"),
        alt.Tooltip("lost_min:Q", title="without signal [min]", format=",.0f"),
        alt.Tooltip("planned_h:Q", title="planned [h]", format=".1f"),
    ]
    # Never so deep that the number on it could not be read.
    deeper = alt.FillOpacity("missing:Q", scale=alt.Scale(domain=[0, 1], range=[0.2, 0.65]), legend=None)
    columns = ["label", "machine", "covered", "verdict", "lost_min", "planned_h"]
    thin = planned.filter("thin").select(*columns, "missing", "number")
    whole = planned.filter(~pl.col("thin")).select(columns)
    layers = [
        alt.Chart(whole).mark_rect(color=look.producing, opacity=0.55).encode(x=x, y=y, tooltip=tooltip),
        alt.Chart(thin)
        .mark_rect(fill=look.stopped, stroke=look.ink, strokeWidth=1.6)
        .encode(x=x, y=y, fillOpacity=deeper, tooltip=tooltip),
    ]
    if len(days) <= WORDS_UP_TO:
        words = alt.Chart(thin).mark_text(color=look.ink, fontSize=11, fontWeight="bold", baseline="middle")
        layers.append(words.encode(x=x, y=y, text=alt.Text("number:N")))
    return in_look(alt.LayerChart(layer=layers, height=ROW_PX * len(machines) + DATES_PX), look)


def _days(days: pl.Series) -> alt.Axis:
    mondays = days.filter(days.str.to_date().dt.weekday() == 1).to_list()
    step = max(1, -(-len(mondays) // 14))
    words = "timeFormat(toDate(datum.value + 'T12:00:00'), '%e %b')"
    return alt.Axis(
        values=mondays[::step] or days.head(1).to_list(),
        labelExpr=words,
        title=None,
        orient="top",
        labelAngle=0,
        ticks=True,
        domain=False,
    )


def reject_bars(rows: pl.DataFrame, look: Look) -> alt.LayerChart:
    """Rejects by source and reason, the most on top."""
    told = rows.head(BARS).select(
        "rejects",
        label=pl.format("{}: {}", "source", "reason"),
        said=pl.col("rejects").cast(pl.String),
    )
    shown = numbered(told)
    y = alt.Y("label:N", sort=AS_ROWS, title=None, axis=alt.Axis(labelLimit=420, ticks=False, domain=False))
    x = alt.X("rejects:Q", title="rejects", axis=alt.Axis(tickCount=6, tickMinStep=1, format="d"))
    bars = (
        alt.Chart(shown)
        .mark_bar(size=14, color=look.stopped)
        .encode(x=x, y=y, tooltip=[alt.Tooltip("label:N"), alt.Tooltip("rejects:Q")])
    )
    words = alt.Chart(shown).mark_text(align="left", dx=5, color=look.ink, fontSize=12)
    return in_look(
        alt.LayerChart(layer=[bars, words.encode(x=x, y=y, text=alt.Text("said:N"))], height=26 * len(shown) + 10), look
    )


def tells_matrix(rows: pl.DataFrame, look: Look) -> alt.Chart:
    """A mark a machine and need: how it is known.

    Parameters
    ----------
    rows : DataFrame
        `log_tells.log_tells`.
    look : Look
    """
    machines = rows["machine"].unique(maintain_order=True).to_list()
    fills = {TOLD: look.producing, INFERRED: look.paper, MISSING: look.paper, NONE: look.paper}
    strokes = {TOLD: look.producing, INFERRED: look.ink, MISSING: look.stopped, NONE: look.faint}

    def by_state(values: dict[str, str]) -> dict[str, Any]:
        return {"scale": alt.Scale(domain=list(values), range=list(values.values())), "legend": None}

    x = alt.X(
        "need:N",
        scale=alt.Scale(domain=list(NEEDS)),
        axis=alt.Axis(title=None, orient="top", labelAngle=-38, labelLimit=140, ticks=False, domain=False, grid=False),
    )
    y = alt.Y(
        "machine:N",
        scale=alt.Scale(domain=machines),
        axis=alt.Axis(
            title=None, ticks=False, domain=False, grid=True, gridOpacity=0.7, labelLimit=120, labelFontSize=13
        ),
    )
    marks = alt.Chart(rows, height=ROW_PX * len(machines) + NEEDS_PX).mark_point(size=110, strokeWidth=2.2, opacity=1)
    chart = marks.encode(
        x=x,
        y=y,
        shape=alt.Shape("state:N", **by_state(SHAPES)),
        fill=alt.Fill("state:N", **by_state(fills)),
        stroke=alt.Stroke("state:N", **by_state(strokes)),
        tooltip=[
            alt.Tooltip("machine:N"),
            alt.Tooltip("need:N"),
            alt.Tooltip("state:N"),
            alt.Tooltip("how:N", title="known by"),
            alt.Tooltip("follows:N", title="so"),
        ],
    )
    return in_look(chart, look)

"""Charts of the week: from planned to made, losses ranked, shift by shift."""

from typing import Final

import altair as alt
import polars as pl
from charts import line_words
from clock import in_look
from theme import Look

RANKED: Final = 12
"""Losses drawn; the table has them all."""
_RANKS: Final[dict[str, tuple[str, str]]] = {
    "time": ("hours", "time lost [h]"),
    "count": ("count", "stops"),
    "parts": ("lost_parts", "parts lost against plan"),
}


def staircase(steps: pl.DataFrame, look: Look) -> alt.LayerChart:
    """From planned to made parts, a step a loss.

    Parameters
    ----------
    steps : DataFrame
        `figures.staircase.STEPS`.
    """
    shown = steps.with_columns(said=_signed(), middle=pl.max_horizontal("top", "bottom"))
    x = alt.X(
        "step:N", sort=None, title=None, axis=alt.Axis(labelAngle=-32, labelLimit=150, ticks=False, labelOverlap=False)
    )
    floor = _floor(steps)
    title = "parts" if floor == 0 else f"parts, from {floor:,.0f} up"
    scale = alt.Scale(zero=False, domainMin=floor, nice=False, clamp=True)
    y = alt.Y("top:Q", title=title, scale=scale, axis=alt.Axis(tickCount=5))
    base = alt.Chart(shown)
    colour = alt.Color(
        "kind:N",
        legend=None,
        scale=alt.Scale(
            domain=["planned", "lost", "gained", "made"], range=[look.faint, look.stopped, look.setting, look.producing]
        ),
    )
    tip = [alt.Tooltip("step:N"), alt.Tooltip("parts:Q", format=",.1f")]
    bars = base.mark_bar(size=34, stroke=look.ink, strokeWidth=0.6).encode(
        x=x, y=y, y2=alt.Y2("bottom:Q"), color=colour, tooltip=tip
    )
    words = base.mark_text(dy=-8, color=look.ink, fontSize=12).encode(
        x=x, y=alt.Y("middle:Q", scale=scale), text=alt.Text("said:N")
    )
    return in_look(alt.LayerChart(layer=[bars, words], height=250), look)


def _floor(steps: pl.DataFrame) -> float:
    """Where the axis begins: losses of a few per cent would be slivers over one from zero."""
    lowest = steps.filter(pl.col("kind").is_in(["lost", "gained", "made"])).select(
        pl.min_horizontal("top", pl.when(pl.col("kind") != "made").then("bottom")).min()
    )
    low, high = lowest.item(), steps["top"].max()
    if low is None or not isinstance(high, float):
        return 0.0
    return max(0.0, low - 0.35 * (high - low)) if high - low < 0.6 * high else 0.0


def _signed() -> pl.Expr:
    whole = pl.col("parts").round(0).cast(pl.Int64)
    loss = pl.when(whole > 0).then(pl.format("−{}", whole.abs())).otherwise(pl.format("+{}", whole.abs()))
    return pl.when(pl.col("kind").is_in(["planned", "made"])).then(whole.cast(pl.String)).otherwise(loss)


def losses(ranked: pl.DataFrame, rank: str, look: Look) -> alt.LayerChart:
    """Losses worst first, and the running share of all of them.

    Parameters
    ----------
    ranked : DataFrame
        `figures.losses.pareto` by `rank`.
    rank : {"time", "count", "parts"}
    """
    column, title = _RANKS[rank]
    shown = ranked.head(RANKED).with_columns(
        label=line_words(),
        hours=pl.col("seconds") / 3600,
        share=pl.format("{} %", (100 * pl.col("running_share")).round(0).cast(pl.Int64)),
    )
    y = alt.Y("label:N", sort=None, title=None, axis=alt.Axis(labelLimit=190, ticks=False, domain=False))
    x = alt.X(f"{column}:Q", title=f"{title}; beside it the running share of all", axis=alt.Axis(tickCount=5))
    tip = [
        alt.Tooltip("label:N", title="loss"),
        alt.Tooltip("hours:Q", title="time [h]", format=".2f"),
        alt.Tooltip("count:Q", title="stops"),
        alt.Tooltip("lost_parts:Q", title="parts against plan", format=".1f"),
        alt.Tooltip("running_share:Q", title="running share", format=".1%"),
    ]
    bars = alt.Chart(shown).mark_bar(size=13, color=look.stopped).encode(x=x, y=y, tooltip=tip)
    words = (
        alt.Chart(shown)
        .mark_text(align="left", dx=5, color=look.ink, fontSize=11)
        .encode(x=x, y=y, text=alt.Text("share:N"))
    )
    return in_look(alt.LayerChart(layer=[bars, words], height=19 * max(len(shown), 1) + 45), look)


def shifts(rows: pl.DataFrame, look: Look) -> alt.LayerChart:
    """Each machine and shift: parts made of those planned, in per cent.

    Parameters
    ----------
    rows : DataFrame
        `shift_table` by machine and shift.
    """
    share = pl.col("plan_attainment")
    # Of a shift some sixty things are known, which all would go to the browser.
    shown = rows.select(
        "machine",
        "parts",
        "planned_parts",
        "availability",
        "effectiveness",
        column=pl.col("shift_date").dt.strftime("%a %d ") + pl.col("shift"),
        said=pl.when(share.is_null())
        .then(pl.lit("–"))
        .otherwise((100 * share).round(0).cast(pl.Int64).cast(pl.String)),
        short=(1 - share.clip(0, 1)).fill_null(0.0),
    )
    x = alt.X("column:N", sort=None, title=None, axis=alt.Axis(labelAngle=-55, orient="top", ticks=False, domain=False))
    y = alt.Y("machine:N", title=None, axis=alt.Axis(ticks=False, domain=False))
    tip = [
        alt.Tooltip("machine:N"),
        alt.Tooltip("column:N", title="shift"),
        alt.Tooltip("parts:Q", title="made"),
        alt.Tooltip("planned_parts:Q", title="planned", format=".0f"),
        alt.Tooltip("availability:Q", format=".1%"),
        alt.Tooltip("effectiveness:Q", format=".1%"),
    ]
    tiles = (
        alt.Chart(shown)
        .mark_rect(color=look.stopped, stroke=look.rule)
        .encode(
            x=x,
            y=y,
            opacity=alt.Opacity("short:Q", scale=alt.Scale(domain=[0, 1], range=[0, 0.75]), legend=None),
            tooltip=tip,
        )
    )
    words = alt.Chart(shown).mark_text(color=look.ink, fontSize=11).encode(x=x, y=y, text=alt.Text("said:N"))
    return in_look(alt.LayerChart(layer=[tiles, words], height=22 * rows["machine"].n_unique() + 90), look)


def remnants(bars: pl.DataFrame, look: Look) -> alt.LayerChart:
    """Remnant share of the stock by material, beside the planned share.

    Parameters
    ----------
    bars : DataFrame
        `stock.bar_account` by material.
    """
    shown = bars.filter(pl.col("remnant_share").is_not_null()).with_columns(
        share=100 * pl.col("remnant_share"), plan=100 * pl.col("planned_remnant_share")
    )
    y = alt.Y("material:N", sort=None, title=None, axis=alt.Axis(labelLimit=130, ticks=False, domain=False))
    x = alt.X("share:Q", title="remnant [% of stock loaded]; the stroke is the plan", axis=alt.Axis(tickCount=5))
    tip = [
        alt.Tooltip("material:N"),
        alt.Tooltip("bars:Q"),
        alt.Tooltip("share:Q", title="remnant [%]", format=".2f"),
        alt.Tooltip("plan:Q", title="planned [%]", format=".2f"),
        alt.Tooltip("remnant_mm:Q", title="remnant [mm]", format=",.0f"),
    ]
    tiles = (
        alt.Chart(shown)
        .mark_bar(size=13, color=look.reloading, stroke=look.ink, strokeWidth=0.8)
        .encode(x=x, y=y, tooltip=tip)
    )
    plan = alt.Chart(shown).mark_tick(color=look.ink, thickness=3, size=18).encode(x=alt.X("plan:Q"), y=y)
    return in_look(alt.LayerChart(layer=[tiles, plan], height=24 * max(len(shown), 1) + 45), look)

"""Charts of the week: from planned to made, losses ranked, shift by shift.

Each is a form, which is the same for every week, over rows, which are what is drawn of the week.
"""

from functools import cache
from typing import Final

import altair as alt
import polars as pl
from charts import line_words
from clock import in_look
from drawing import AS_ROWS, ROWS, over, specification
from picture import Spec
from theme import DARKEST, DASH, Look

RANKED: Final = 12
"""Losses drawn; the table has them all."""
_RANKS: Final[dict[str, tuple[str, str]]] = {
    "time": ("hours", "time lost [h]"),
    "count": ("count", "stops"),
    "parts": ("lost_parts", "parts lost against plan"),
}


def staircase(steps: pl.DataFrame, look: Look) -> Spec:
    """From planned to made parts, a step a loss.

    Parameters
    ----------
    steps : DataFrame
        `figures.staircase.STEPS`.
    """
    shown = steps.select(
        "step", "parts", "kind", "top", "bottom", said=_signed(), middle=pl.max_horizontal("top", "bottom")
    )
    return over(shown, _on_floor(_staircase(look), _floor(steps)))


@cache
def _staircase(look: Look) -> Spec:
    x = alt.X(
        "step:N",
        sort=AS_ROWS,
        title=None,
        axis=alt.Axis(labelAngle=-32, labelLimit=150, ticks=False, labelOverlap=False),
    )
    scale = alt.Scale(zero=False, nice=False, clamp=True)
    y = alt.Y("top:Q", title="parts", scale=scale, axis=alt.Axis(tickCount=5))
    base = alt.Chart(ROWS)
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
    return specification(in_look(alt.LayerChart(layer=[bars, words], height=250), look))


def _on_floor(form: Spec, floor: float) -> Spec:
    """The staircase with an axis that begins at a floor, and says so."""
    bars, words = form["layer"]
    y = bars["encoding"]["y"]
    says = {} if floor == 0 else {"title": f"parts, from {floor:,.0f} up"}
    on_it = y | {"scale": y["scale"] | {"domainMin": floor}} | says
    return form | {"layer": [bars | {"encoding": bars["encoding"] | {"y": on_it}}, words]}


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


def losses(ranked: pl.DataFrame, rank: str, look: Look) -> Spec:
    """Losses worst first, and the running share of all of them.

    Parameters
    ----------
    ranked : DataFrame
        `figures.losses.pareto` by `rank`.
    rank : {"time", "count", "parts"}
    """
    shown = ranked.head(RANKED).select(
        "count",
        "lost_parts",
        "running_share",
        label=line_words(),
        hours=pl.col("seconds") / 3600,
        share=pl.format("{} %", (100 * pl.col("running_share")).round(0).cast(pl.Int64)),
    )
    return over(shown, _losses(rank, len(shown), look))


@cache
def _losses(rank: str, lines: int, look: Look) -> Spec:
    column, title = _RANKS[rank]
    y = alt.Y("label:N", sort=AS_ROWS, title=None, axis=alt.Axis(labelLimit=190, ticks=False, domain=False))
    x = alt.X(f"{column}:Q", title=f"{title}; beside it the running share of all", axis=alt.Axis(tickCount=5))
    tip = [
        alt.Tooltip("label:N", title="loss"),
        alt.Tooltip("hours:Q", title="time [h]", format=".2f"),
        alt.Tooltip("count:Q", title="stops"),
        alt.Tooltip("lost_parts:Q", title="parts against plan", format=".1f"),
        alt.Tooltip("running_share:Q", title="running share", format=".1%"),
    ]
    bars = alt.Chart(ROWS).mark_bar(size=13, color=look.stopped).encode(x=x, y=y, tooltip=tip)
    words = (
        alt.Chart(ROWS)
        .mark_text(align="left", dx=5, color=look.ink, fontSize=11)
        .encode(x=x, y=y, text=alt.Text("share:N"))
    )
    return specification(in_look(alt.LayerChart(layer=[bars, words], height=19 * max(lines, 1) + 45), look))


def of_shifts(rows: pl.DataFrame) -> pl.DataFrame:
    """What is drawn of each machine and shift.

    Parameters
    ----------
    rows : DataFrame
        `shift_table` by machine and shift, in the order of time.

    Returns
    -------
    DataFrame
        machine, day, shift, column (both of these), parts, planned_parts, availability, effectiveness; said, parts
        made of those planned [%] as text, a dash without a plan; short, the share that is missing.
    """
    share = pl.col("plan_attainment")
    day = pl.format("{} {}", pl.col("shift_date").dt.strftime("%a"), pl.col("shift_date").dt.day())
    return rows.select(
        "machine",
        "shift",
        "parts",
        "planned_parts",
        "availability",
        "effectiveness",
        day=day,
        column=pl.format("{} {}", day, "shift"),
        said=pl.when(share.is_null())
        .then(pl.lit(DASH))
        .otherwise((100 * share).round(0).cast(pl.Int64).cast(pl.String)),
        short=(1 - share.clip(0, 1)).fill_null(0.0),
    )


def shifts(drawn: pl.DataFrame, look: Look) -> Spec:
    """Each machine and shift, as a picture to take away: the page has a table of it.

    Parameters
    ----------
    drawn : DataFrame
        From `of_shifts`.
    """
    return over(drawn.select("machine", "column", "said", "short"), _shifts(drawn["machine"].n_unique(), look))


@cache
def _shifts(machines: int, look: Look) -> Spec:
    x = alt.X(
        "column:N", sort=AS_ROWS, title=None, axis=alt.Axis(labelAngle=-55, orient="top", ticks=False, domain=False)
    )
    y = alt.Y("machine:N", title=None, axis=alt.Axis(ticks=False, domain=False))
    tiles = (
        alt.Chart(ROWS)
        .mark_rect(color=look.stopped, stroke=look.rule)
        .encode(
            x=x,
            y=y,
            opacity=alt.Opacity("short:Q", scale=alt.Scale(domain=[0, 1], range=[0, DARKEST]), legend=None),
        )
    )
    words = alt.Chart(ROWS).mark_text(color=look.ink, fontSize=11).encode(x=x, y=y, text=alt.Text("said:N"))
    return specification(in_look(alt.LayerChart(layer=[tiles, words], height=22 * machines + 90), look))


def remnants(bars: pl.DataFrame, look: Look) -> Spec:
    """Remnant share of the stock by material, beside the planned share.

    Parameters
    ----------
    bars : DataFrame
        `stock.bar_account` by material.
    """
    shown = bars.filter(pl.col("remnant_share").is_not_null()).select(
        "material",
        "bars",
        "remnant_mm",
        share=100 * pl.col("remnant_share"),
        plan=100 * pl.col("planned_remnant_share"),
    )
    return over(shown, _remnants(len(shown), look))


@cache
def _remnants(materials: int, look: Look) -> Spec:
    y = alt.Y("material:N", sort=AS_ROWS, title=None, axis=alt.Axis(labelLimit=130, ticks=False, domain=False))
    x = alt.X("share:Q", title="remnant [% of stock loaded]; the stroke is the plan", axis=alt.Axis(tickCount=5))
    tip = [
        alt.Tooltip("material:N"),
        alt.Tooltip("bars:Q"),
        alt.Tooltip("share:Q", title="remnant [%]", format=".2f"),
        alt.Tooltip("plan:Q", title="planned [%]", format=".2f"),
        alt.Tooltip("remnant_mm:Q", title="remnant [mm]", format=",.0f"),
    ]
    tiles = (
        alt.Chart(ROWS)
        .mark_bar(size=13, color=look.reloading, stroke=look.ink, strokeWidth=0.8)
        .encode(x=x, y=y, tooltip=tip)
    )
    plan = alt.Chart(ROWS).mark_tick(color=look.ink, thickness=3, size=18).encode(x=alt.X("plan:Q"), y=y)
    return specification(in_look(alt.LayerChart(layer=[tiles, plan], height=24 * max(materials, 1) + 45), look))

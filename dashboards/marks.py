"""The marks of the drawing: what each kind of span and each outcome of a bar change looks like, and their key."""

from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

import altair as alt
import polars as pl
from theme import DASH, GAP_PX, HEAD_PX, OUTLINED, Look

T = TypeVar("T")

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

KEY_PX: Final[dict[str, dict[str, float]]] = {
    "lines": {"parts made": 0, "planned": 98},
    "outcomes": {"clean": 86, "slow": 136, "retried": 182, "failed": 240, "empty": 294, "unclear": 350},
    "kinds": {"producing": 0, "reloading": 88, "setting": 176, "stopped": 248, "no signal": 324},
}
"""Where each sample of the key begins, from the left; narrow enough for a tablet held upright."""

_IS_FAULT: Final = " || ".join(f"datum.outcome == '{outcome}'" for outcome in FILLED)
_SAMPLE_PX: Final = 18
_LINE_AT_PX: Final = {"lines": 7.0, "outcomes": 25.0, "kinds": 44.0}


def blocks(spans: Any) -> alt.Chart:
    """Spans as blocks, each kind with its own fill, outline, top and bottom; the caller says along what.

    Parameters
    ----------
    spans : DataFrame or NamedData
        As `in_blocks` makes them.
    """
    return (
        alt.Chart(spans)
        .mark_rect(strokeWidth=0.8, clip=True)
        .encode(
            y=alt.Y("top:Q", scale=None, axis=None),
            y2=alt.Y2("bottom:Q"),
            fill=alt.Fill("fill:N", scale=None),
            stroke=alt.Stroke("outline:N", scale=None),
        )
    )


def in_blocks(spans: pl.DataFrame, look: Look, lower: float = 0.0) -> pl.DataFrame:
    """Add to spans what `blocks` draws them by: top, bottom, fill, outline.

    Parameters
    ----------
    spans : DataFrame
        With a column `kind`.
    lower : float
        How much further down than in the strip. [px]
    """
    looks = pl.DataFrame(
        [(kind, top + lower, bottom + lower, look.fill(kind)) for kind, (top, bottom) in STRIP_PX.items()],
        schema=["kind", "top", "bottom", "fill"],
        orient="row",
    ).with_columns(outline=pl.when(pl.col("kind").is_in(OUTLINED)).then(pl.lit(look.ink)).otherwise("fill"))
    return spans.join(looks, on="kind", how="inner", maintain_order="left")


def known(number: str, digits: int = 0) -> pl.Expr:
    """A number to be told by the mouse; the browser would tell one that is not known as zero."""
    told = pl.col(number).cast(pl.Float64)
    said = told.round(digits).cast(pl.Int64 if digits == 0 else pl.Float64).cast(pl.String)
    return pl.when(told.is_finite()).then(said).otherwise(pl.lit(DASH)).fill_null(DASH)


def by_test(channel: Callable[..., T], cases: Mapping[str, Any], otherwise: Any) -> T:
    """The value of the first test that is true of a mark's row.

    What `alt.condition` gives leaves Altair to look for the channel among all there are, which takes ten milliseconds
    each time.
    """
    tests = [{"test": test, "value": value} for test, value in cases.items()]
    return channel(otherwise, condition=tests if len(tests) > 1 else tests[0])


def bar_changes(reloads: Any, look: Look) -> alt.Chart:
    """Bar changes, each outcome with its own shape; the caller says where."""
    shapes = alt.Scale(domain=list(SHAPES), range=list(SHAPES.values()))
    return (
        alt.Chart(reloads)
        .mark_point(stroke=look.ink, strokeWidth=1.3, opacity=1)
        .encode(
            shape=alt.Shape("outcome:N", scale=shapes, legend=None),
            size=by_test(alt.SizeValue, {_IS_FAULT: 75}, 44),
            fill=by_test(alt.FillValue, {_IS_FAULT: look.stopped}, look.paper),
        )
    )


def key(look: Look) -> alt.LayerChart:
    """Every mark of the drawing once, with its name, drawn as it is drawn below."""
    lines, outcomes, kinds = (
        pl.DataFrame({"said": list(places), "x": [float(x) for x in places.values()]}).with_columns(
            x2=pl.col("x") + _SAMPLE_PX
        )
        for places in KEY_PX.values()
    )
    heading = pl.DataFrame({"said": ["bar changes:"], "x2": [-5.0]})
    pixels = alt.Scale(domain=[0, 420], range=[0, 420])
    x = alt.X("x:Q", scale=pixels, axis=None)
    at = _LINE_AT_PX
    lower = at["kinds"] - sum(STRIP_PX["producing"]) / 2
    layers: list[Any] = [
        alt.Chart(lines[0])
        .mark_rule(y=at["lines"], strokeWidth=2, color=look.producing)
        .encode(x=x, x2=alt.X2("x2:Q")),
        alt.Chart(lines[1]).mark_rule(y=at["lines"], strokeDash=[5, 3], color=look.ink).encode(x=x, x2=alt.X2("x2:Q")),
        blocks(in_blocks(kinds.with_columns(kind="said"), look, lower)).encode(x=x, x2=alt.X2("x2:Q")),
        bar_changes(outcomes.with_columns(outcome="said", x=pl.col("x") + 10), look).encode(
            x=x, y=alt.YValue(at["outcomes"])
        ),
    ]
    rows = {"lines": lines, "outcomes": pl.concat([outcomes, heading], how="diagonal"), "kinds": kinds}
    for name, named in rows.items():
        words = alt.Chart(named).mark_text(
            align="left", baseline="middle", dx=5, y=at[name], color=look.ink, fontSize=12
        )
        layers.append(words.encode(x=alt.X("x2:Q", scale=pixels, axis=None), text=alt.Text("said:N")))
    return alt.LayerChart(layer=layers, height=HEAD_PX - GAP_PX)

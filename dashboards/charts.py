"""Charts as functions from frames to Altair: they place what `figures` says, and compute no figure."""

from collections.abc import Sequence
from functools import cache

import altair as alt
import drawing
import polars as pl
from clock import in_look
from marks import by_test, key
from night_rows import rows_of
from picture import BESIDE, Spec
from theme import GAP_PX, Look

from runlog.figures.night import NightReview


def night_drawing(review: NightReview, machines: Sequence[str], look: Look) -> Spec:
    """The night, one row a machine: parts made against the plan, and below it the strip of the machine's time.

    Parameters
    ----------
    review : NightReview
    machines : sequence of str
        Which rows, from the top.
    look : Look
        Colours of the theme.

    Returns
    -------
    dict
        Its specification.
    """
    sheet = _key_of_night(look)
    said = f"Parts made against the plan, and below it the machine's time, over the night: {', '.join(machines)}"
    return sheet | {
        "vconcat": [*sheet["vconcat"], *rows_of(review, machines, look)],
        "description": said,
        # On the page the list beside it names the machines; a picture leaves without the list.
        "usermeta": {BESIDE: ["", *machines]},
    }


@cache
def _key_of_night(look: Look) -> Spec:
    """The drawing before it has a row: the key alone."""
    padding = {"left": 2, "right": 6, "top": 0, "bottom": 4}
    chart = alt.VConcatChart(vconcat=[key(look)], spacing=GAP_PX, bounds="flush", padding=padding)
    told = drawing.specification(
        in_look(chart, look).resolve_scale(x="independent", y="independent", shape="independent")
    )
    # Data stand with their marks, as in the rows: Streamlit would make an Arrow table of each that stands apart.
    apart = told.pop("datasets")
    (above,) = told["vconcat"]
    layers = [layer | {"data": {"values": apart[layer["data"]["name"]]}} for layer in above["layer"]]
    return told | {"vconcat": [above | {"layer": layers}]}


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

"""Charts as functions from frames to Altair: they place what `figures` says, and compute no figure."""

from collections.abc import Sequence
from functools import cache
from typing import Final

import altair as alt
import drawing
import night_form
import polars as pl
from address import View
from clock import in_look, length_ms
from marks import by_test
from night_rows import names_of, rows_of
from picture import Spec
from theme import Look

from runlog.figures.night import NightReview

NIGHT_SAID: Final = (
    "Parts made against the plan, and below it the machine's time, over the night, a row for each machine."
)
"""What is drawn, of every night."""
MOST_SAID: Final = 3
"""Machines of a night that are read aloud: the list has all."""


def night_drawing(review: NightReview, machines: Sequence[str], look: Look, view: View = ()) -> Spec:
    """The night, one row a machine: parts made against the plan, and below it the strip of the machine's time.

    Parameters
    ----------
    review : NightReview
    machines : sequence of str
        Which rows, from the top.
    look : Look
        Colours of the theme.
    view : tuple, optional
        What its links keep of the page, as `address.of_view` tells.

    Returns
    -------
    dict
        Its specification.
    """
    return drawing.over(
        rows_of(review, machines, look, view), night_form.form(length_ms(review.window), len(machines), look)
    )


def night_said(machines: pl.DataFrame) -> str:
    """What the drawing of a night shows, to be read aloud.

    Parameters
    ----------
    machines : DataFrame
        Rows of `NightReview.machines` that are drawn, the worst first.
    """
    told = machines.head(MOST_SAID).select(pl.format("{}: {}.", "machine", "finding")).to_series().drop_nulls()
    more = len(machines) - len(told)
    return " ".join([NIGHT_SAID, *told, *([f"{more} more in the list beside it."] if more > 0 else [])])


def with_names(drawn: Spec, machines: Sequence[str], look: Look) -> Spec:
    """The drawing of a night with the name of each machine at its row: a picture leaves without the list beside it.

    Parameters
    ----------
    drawn : dict
        From `night_drawing`.
    machines, look
        As there.
    """
    above, rows = drawn["vconcat"]
    return drawn | {
        "vconcat": [above, rows | {"layer": [*rows["layer"], night_form.names(look)]}],
        "datasets": drawn["datasets"] | {"names": names_of(machines)},
    }


def time_by_cause(time: pl.DataFrame, look: Look) -> Spec:
    """Where a machine's planned time went, one bar a line of the loss account.

    Parameters
    ----------
    time : DataFrame
        `NightReview.time` of one machine.
    """
    bars = _bars(time)
    return drawing.over(bars, _time_by_cause(len(bars), look))


def time_said(machine: str, time: pl.DataFrame) -> str:
    """The same as a sentence, to be read aloud."""
    told = _bars(time).select(pl.format("{} {}", "label", "said")).to_series()
    return f"Where the planned time of {machine} went: {'; '.join(told)}."


def _bars(time: pl.DataFrame) -> pl.DataFrame:
    made = pl.col("line").is_in(["good parts", "parts made", "production"])
    hours = pl.col("seconds") / 3600
    return time.sort(~made, "seconds", descending=[False, True]).select(
        label=line_words(), hours=hours, made=made, said=_bar_words(), end=hours.clip(lower_bound=0)
    )


@cache
def _time_by_cause(lines: int, look: Look) -> Spec:
    y = alt.Y("label:N", sort=drawing.AS_ROWS, title=None, axis=alt.Axis(labelLimit=260, ticks=False, domain=False))
    x, end = (
        alt.X(f"{field}:Q", title="time [h]", scale=alt.Scale(nice=False), axis=alt.Axis(tickCount=8))
        for field in ("hours", "end")
    )
    colour = by_test(alt.ColorValue, {"datum.made": look.producing}, look.stopped)
    base = alt.Chart(drawing.ROWS)
    bars = base.mark_bar(size=14).encode(
        x=x, y=y, color=colour, tooltip=[alt.Tooltip("label:N"), alt.Tooltip("said:N")]
    )
    words = base.mark_text(align="left", dx=5, color=look.ink, fontSize=12)
    layers = [bars, words.encode(x=end, y=y, text=alt.Text("said:N"))]
    return drawing.specification(in_look(alt.LayerChart(layer=layers, height=26 * lines + 50), look))


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

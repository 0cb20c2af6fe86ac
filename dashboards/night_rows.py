"""Rows of the night's drawing, a machine each: what is drawn of them, and where.

All rows are one chart, whose form (`night_form`) stays the same from night to night: a browser plans it once and draws
other rows. So where a machine's row lies, and how high its parts reach in it, is with the rows.
"""

from collections.abc import Sequence
from typing import Final

import polars as pl
import polars.selectors as cs
from address import View, of_stops
from clock import placed, since_start
from marks import LINE_PX, STRIP_PX, TICK_PX, in_blocks, known
from stacked import HOURS, hours_of, in_rows, px, tops
from theme import DASH, GAP_PX, ROW_PX, Look

from runlog.figures.night import NightReview, Window

SHORT_SHARE: Final = 0.12
"""Share of the plan from which parts missing get a bracket: less would be a dot."""
FINEST_PX: Final = 0.5
"""Less than this is not seen in a line: a browser takes long over ten thousand parts."""
LETTER: Final = 0.01
"""Share of the strip that a letter takes, about: where a word does not fit, the mouse has it."""


def rows_of(review: NightReview, machines: Sequence[str], look: Look, view: View) -> dict[str, pl.DataFrame]:
    """What each part of the drawing of these machines is put to, by its name.

    Returns
    -------
    dict of str to DataFrame
        Places down the drawing in pixels, along it as `clock.since_start` says. [px, ms]
    """
    window, places = review.window, tops(machines, ROW_PX)
    spans = _spans(in_rows(review.strip, places), machines, window, view)
    line = placed(in_rows(review.line, places), "at", window=window)
    # A line along zero would say that nothing was made where nothing is known.
    made = line.drop_nulls("made").join(spans.select("machine").unique(), on="machine", how="semi")
    planned = line.drop_nulls("planned")
    rows = places.join(_full(made, planned), on="machine", how="left").with_columns(pl.col("full").fill_null(1.0))
    rated = placed(in_rows(review.reloads, places).filter(~pl.col("hand_load")), "start", window=window)
    frames = {
        HOURS: hours_of(window),
        "axes": rows.select(zero=_reaching(pl.lit(0.0)), high=_reaching(pl.col("full")), middle=px(sum(LINE_PX) / 2)),
        "labels": _labels(rows),
        "planned": _in_its_row(planned, rows, "planned"),
        "made": _seen_apart(_in_its_row(made, rows, "made")),
        "short": _short(review.machines, rows, window),
        "spans": in_blocks(spans, look)
        .with_columns(top=px(pl.col("top")), bottom=px(pl.col("bottom")))
        .drop("seconds", "said", "row_px"),
        "named": _named(spans, window),
        "changes": rated.select(
            "start", "start_local", known("duration_s"), known("planned_s"), known("attempts"),
            pl.col("first_out_code", "first_out_text").fill_null(DASH),
            outcome=pl.col("outcome").fill_null("unclear"), y=px(TICK_PX),
        ),
        "end": _end(window),
        "remarks": _remarks(places, spans, window),
    }  # fmt: skip
    # The browser takes what is not finite for a place.
    return {
        name: frame.with_columns(pl.when(cs.float().is_finite()).then(cs.float())) for name, frame in frames.items()
    }


def names_of(machines: Sequence[str]) -> pl.DataFrame:
    """The name of each machine, and where its row is."""
    return tops(machines, ROW_PX).select("machine", y=px((ROW_PX - GAP_PX) / 2))


# --- parts made and planned ----------------------------------------------------------------------


def _full(made: pl.DataFrame, planned: pl.DataFrame) -> pl.DataFrame:
    """The most parts that a machine's row has to show."""
    both = [made.select("machine", parts="made"), planned.select("machine", parts="planned")]
    return pl.concat(both).group_by("machine").agg(full=pl.col("parts").max().clip(lower_bound=1.0))


def _reaching(parts: pl.Expr) -> pl.Expr:
    """How high so many parts reach in the row of a machine."""
    zero, high = LINE_PX
    return px(zero + (high - zero) * parts / pl.col("full"))


def _in_its_row(line: pl.DataFrame, rows: pl.DataFrame, parts: str) -> pl.DataFrame:
    full = line.join(rows.select("machine", "full"), on="machine", how="left", maintain_order="left")
    places = {"y": _reaching(pl.col(parts)), "zero": _reaching(pl.lit(0.0))}
    return full.select("machine", "at", "at_local", parts, **places)


def _seen_apart(line: pl.DataFrame) -> pl.DataFrame:
    """Of a machine's many parts those that take its line a bit higher, and the last."""
    step = (pl.col("y") / FINEST_PX).floor()
    higher = step.ne_missing(step.shift().over("machine"))
    return line.filter(higher | (pl.col("at") == pl.col("at").max().over("machine")))


def _labels(rows: pl.DataFrame) -> pl.DataFrame:
    """Beside a row, none made and the most."""
    ends = [rows.with_columns(parts=pl.lit(0)), rows.with_columns(parts=pl.col("full").cast(pl.Int64))]
    return pl.concat(ends, how="diagonal_relaxed").select(
        y=_reaching(pl.col("parts")), said=pl.col("parts").cast(pl.String)
    )


def _short(machines: pl.DataFrame, rows: pl.DataFrame, window: Window) -> pl.DataFrame:
    """A bracket from made to planned where the log ends, and words at it."""
    short = machines.filter(
        (pl.col("planned_parts") > 0) & (pl.col("parts_lost") >= SHORT_SHARE * pl.col("planned_parts"))
    )
    made, planned = pl.col("parts").cast(pl.Float64), pl.col("planned_parts")
    middle = _reaching((made + planned) / 2)
    # The words stand beside the bracket where there is little under the line, else under it: above runs the plan.
    words = pl.when(made < 0.35 * planned).then(middle).otherwise(_reaching(made) + 10)
    return in_rows(short, rows).select(
        at=pl.lit(since_start(window, window.seen_to)),
        made=_reaching(made),
        planned=_reaching(planned),
        words=words,
        said=pl.format("{} short", planned.floor().cast(pl.Int64) - pl.col("parts")),
    )


# --- the strip -----------------------------------------------------------------------------------


def _spans(strip: pl.DataFrame, machines: Sequence[str], window: Window, view: View) -> pl.DataFrame:
    return placed(strip, "start", "end", window=window).select(
        "machine", "kind", "start", "end", "start_local", "end_local", "seconds", "row_px",
        # The mouse would tell of a cause "null".
        cause=pl.col("cause").fill_null(DASH),
        minutes=pl.col("seconds") / 60,
        said=pl.coalesce("cause", "kind"),
        href=of_stops(window.night, view, machines, pl.col("stop_start")),
    )  # fmt: skip


def _named(spans: pl.DataFrame, window: Window) -> pl.DataFrame:
    """Words over the spans that are to be understood, where there is room."""
    fits = pl.col("seconds") / (window.hours * 3600) > pl.col("said").str.len_chars() * LETTER
    told = spans.filter(pl.col("kind").is_in(["stopped", "no signal", "setting"]) & fits)
    return told.with_columns(y=px(STRIP_PX["stopped"][0] - 1)).drop("seconds", "end", "row_px")


def _end(window: Window) -> pl.DataFrame:
    """Where the log ends, of a night still running."""
    ends = [since_start(window, window.seen_to)] if window.running else []
    return pl.DataFrame({"at": ends}, {"at": pl.Float64})


def _remarks(places: pl.DataFrame, spans: pl.DataFrame, window: Window) -> pl.DataFrame:
    """What is said in a row that has no strip, and of all where the log ends."""
    silent = places.join(spans, on="machine", how="anti", maintain_order="left").with_columns(
        at=pl.lit(0.0), said=pl.lit("no log of this night")
    )
    ending = places if window.running else places.clear()
    ends = ending.with_columns(at=pl.lit(since_start(window, window.seen_to)), said=pl.lit("log ends"))
    return pl.concat([silent, ends]).select("at", "said", y=px(72))

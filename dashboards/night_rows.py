"""Rows of the night's drawing, a machine each: what is drawn of them, and where.

All rows are one chart, whose form (`night_form`) stays the same from night to night: a browser plans it once and draws
other rows. So where a machine's row lies, and how high its parts reach in it, is with the rows.
"""

from collections.abc import Sequence
from typing import Final
from urllib.parse import urlencode

import polars as pl
import polars.selectors as cs
from clock import hour_ticks, placed, since_start
from marks import LINE_PX, STRIP_PX, TICK_PX, in_blocks
from theme import GAP_PX, ROW_PX, Look

from runlog.figures.night import NightReview, Window

SHORT_SHARE: Final = 0.12
"""Share of the plan from which parts missing get a bracket: less would be a dot."""
FINEST_PX: Final = 0.5
"""Less than this is not seen in a line: a browser takes long over ten thousand parts."""
LETTER: Final = 0.01
"""Share of the strip that a letter takes, about: where a word does not fit, the mouse has it."""


def rows_of(review: NightReview, machines: Sequence[str], look: Look) -> dict[str, pl.DataFrame]:
    """What each part of the drawing is put to, by its name.

    Parameters
    ----------
    review : NightReview
    machines : sequence of str
        Which rows, from the top.
    look : Look
        Colours of the theme.

    Returns
    -------
    dict of str to DataFrame
        Places down the drawing in pixels, along it as `clock.since_start` says. [px, ms]
    """
    window, tops = review.window, tops_of(machines)
    spans = _spans(_here(review.strip, tops), machines, window)
    line = placed(_here(review.line, tops), "at", window=window)
    # A line along zero would say that nothing was made where nothing is known.
    made = line.drop_nulls("made").join(spans.select("machine").unique(), on="machine", how="semi")
    planned = line.drop_nulls("planned")
    rows = tops.join(_full(made, planned), on="machine", how="left").with_columns(pl.col("full").fill_null(1.0))
    rated = placed(_here(review.reloads, tops).filter(~pl.col("hand_load")), "start", window=window)
    frames = {
        "hours": pl.DataFrame(hour_ticks(window), schema=["at", "said"], orient="row"),
        "axes": rows.select(zero=_reaching(pl.lit(0.0)), high=_reaching(pl.col("full")), middle=_px(sum(LINE_PX) / 2)),
        "labels": _labels(rows),
        "planned": _in_its_row(planned, rows, "planned"),
        "made": _seen_apart(_in_its_row(made, rows, "made")),
        "short": _short(review.machines, rows, window),
        "spans": in_blocks(spans, look)
        .with_columns(top=_px(pl.col("top")), bottom=_px(pl.col("bottom")))
        .drop("seconds", "said", "row_px"),
        "named": _named(spans, window),
        "changes": rated.select(
            "start", "start_local", "duration_s", "planned_s", "attempts",
            pl.col("first_out_code", "first_out_text").fill_null("–"),
            outcome=pl.col("outcome").fill_null("unclear"), y=_px(TICK_PX),
        ),
        "end": _end(window),
        "remarks": _remarks(tops, spans, window),
    }  # fmt: skip
    # The browser takes what is not finite for a place.
    return {
        name: frame.with_columns(pl.when(cs.float().is_finite()).then(cs.float())) for name, frame in frames.items()
    }


def tops_of(machines: Sequence[str]) -> pl.DataFrame:
    """Where the row of each machine begins, from the top of the drawing. [px]"""
    tops = [float(ROW_PX * number) for number in range(len(machines))]
    return pl.DataFrame({"machine": list(machines), "row_px": tops}, {"machine": pl.String, "row_px": pl.Float64})


def names_of(machines: Sequence[str]) -> pl.DataFrame:
    """The name of each machine, and where its row is."""
    return tops_of(machines).select("machine", y=_px((ROW_PX - GAP_PX) / 2))


def _here(frame: pl.DataFrame, tops: pl.DataFrame) -> pl.DataFrame:
    return frame.join(tops, on="machine", how="inner", maintain_order="left")


def _px(within: float | pl.Expr) -> pl.Expr:
    """A place in a machine's row as one in the drawing."""
    return pl.col("row_px") + within


# --- parts made and planned ----------------------------------------------------------------------


def _full(made: pl.DataFrame, planned: pl.DataFrame) -> pl.DataFrame:
    """The most parts that a machine's row has to show."""
    both = [made.select("machine", parts="made"), planned.select("machine", parts="planned")]
    return pl.concat(both).group_by("machine").agg(full=pl.col("parts").max().clip(lower_bound=1.0))


def _reaching(parts: pl.Expr) -> pl.Expr:
    """How high so many parts reach in the row of a machine."""
    zero, high = LINE_PX
    return _px(zero + (high - zero) * parts / pl.col("full"))


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
    return _here(short, rows).select(
        at=pl.lit(since_start(window, window.seen_to)),
        made=_reaching(made),
        planned=_reaching(planned),
        words=words,
        said=pl.format("{} short", planned.floor().cast(pl.Int64) - pl.col("parts")),
    )


# --- the strip -----------------------------------------------------------------------------------


def _spans(strip: pl.DataFrame, machines: Sequence[str], window: Window) -> pl.DataFrame:
    return placed(strip, "start", "end", window=window).select(
        "machine", "kind", "start", "end", "start_local", "end_local", "seconds", "row_px",
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


def _named(spans: pl.DataFrame, window: Window) -> pl.DataFrame:
    """Words over the spans that are to be understood, where there is room."""
    fits = pl.col("seconds") / (window.hours * 3600) > pl.col("said").str.len_chars() * LETTER
    told = spans.filter(pl.col("kind").is_in(["stopped", "no signal", "setting"]) & fits)
    return told.with_columns(y=_px(STRIP_PX["stopped"][0] - 1)).drop("seconds", "end", "row_px")


def _end(window: Window) -> pl.DataFrame:
    """Where the log ends, of a night still running."""
    ends = [since_start(window, window.seen_to)] if window.running else []
    return pl.DataFrame({"at": ends}, {"at": pl.Float64})


def _remarks(tops: pl.DataFrame, spans: pl.DataFrame, window: Window) -> pl.DataFrame:
    """What is said in a row that has no strip, and of all where the log ends."""
    silent = tops.join(spans, on="machine", how="anti", maintain_order="left").with_columns(
        at=pl.lit(0.0), said=pl.lit("no log of this night")
    )
    ending = tops if window.running else tops.clear()
    ends = ending.with_columns(at=pl.lit(since_start(window, window.seen_to)), said=pl.lit("log ends"))
    return pl.concat([silent, ends]).select("at", "said", y=_px(72))

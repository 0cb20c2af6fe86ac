"""Charts of reload health as functions from frames to Altair: they place what `figures` says, and compute no figure.

Verdicts differ in shape before they differ in colour, and stand beside each dot in words.
"""

import math
from collections.abc import Sequence
from datetime import date, timedelta
from functools import cache
from typing import Any, Final

import altair as alt
import drawing
import polars as pl
from clock import in_look
from marks import FILLED, SHAPES, by_test, known
from picture import Spec
from theme import DASH, Look

ROWS: Final = 24
"""Groups that are drawn, the clearest: the table has all."""
POINTS: Final = 200
"""Points of a line that are drawn at most; the last one always."""
MARKS: Final = 1500
"""Reloads that are drawn one by one, the newest; those that went well are counted by day."""
CLEAN: Final = "clean a day"
CHOSEN: Final = "chosen"
"""Name of the selection by a click."""

VERDICT_SHAPES: Final = {
    "chronic": "diamond",
    "above goal": "triangle-up",
    "burst": "square",
    "too few to tell": "circle",
    "within chance": "circle",
    "not compared": "cross",
}
CALLED: Final = ("chronic", "above goal", "burst")
"""Verdicts whose shape is filled; the others are hollow, and smaller."""
_ROW_PX: Final = 26
_AXIS_PX: Final = 46
"""Room below for the axis and its title."""
_WORDS: Final = 0.36
"""Room for words beside the rates, as a share of the rates' own."""
_LABELS: Final = 14
_FITS: Final[dict[str, tuple[str, list[int], float]]] = {
    "law": ("fitted law", [1, 0], 1.5),
    "even": ("even rate", [4, 4], 1),
}
"""Lines beside what was counted up: what the mouse tells, dashes and width of each."""
_CHANGED: Final = ("step", "drift")


def rates(rows: pl.DataFrame, chosen: str | None, per: str, look: Look) -> alt.LayerChart:
    """Rates of groups with their limits, in the order of the verdicts.

    Parameters
    ----------
    rows : DataFrame
        GROUPS of one dimension, reloads or hours as `chances`.
    chosen : str or None
        The group whose reloads are shown.
    per : str
        Unit of the rates.
    look : Look
        Colours of the theme.
    """
    shown, of_reloads = rows.head(ROWS), per.endswith("reloads")
    full = _full(shown)
    ticks, among = _ticks(full), "of {}" if of_reloads else "in {} h"
    drawn = shown.with_columns(
        words=pl.format(
            "{}: {} {}", "verdict", "faults", pl.format(among, pl.col("chances").round(0).cast(pl.Int64))
        ),
        words_at=pl.lit(full * 1.03),
        called=pl.col("verdict").is_in(CALLED),
        limits=pl.format("{} to {}", pl.col("low").round(2), pl.col("high").round(2)),
        further=pl.col("high") > full,
        full=pl.lit(full),
    ).select("group", "rate", "low", "high", "shrunken", "rest_rate", "goal", "verdict", "words", "words_at", "called",
             "limits", "further", "full", "sentence", "faults", "chances")  # fmt: skip
    scale = alt.Scale(domain=[0, full * (1 + _WORDS)], nice=False)
    x = alt.X(
        "rate:Q",
        scale=scale,
        title=f"faults {per}",
        axis=alt.Axis(values=ticks, grid=True, gridOpacity=0.6, titleAnchor="start", domain=False),
    )
    names = alt.Axis(labelLimit=150, ticks=False, domain=False, labelFontSize=13, title=None, labelPadding=8)
    # Layers are drawn from several frames: without the order said, the chosen row would come first.
    y = alt.Y("group:N", sort=shown["group"].to_list(), axis=names)
    base = alt.Chart(drawn).encode(y=y)
    at = lambda field: alt.X(f"{field}:Q", scale=scale)  # noqa: E731
    tips = [
        alt.Tooltip("group:N"),
        alt.Tooltip("verdict:N"),
        alt.Tooltip("rate:Q", title=per, format=".3f"),
        alt.Tooltip("limits:N", title="95 % limits"),
        alt.Tooltip("shrunken:Q", title="drawn towards the common rate", format=".3f"),
        alt.Tooltip("rest_rate:Q", title="all others", format=".3f"),
        alt.Tooltip("faults:Q"),
        alt.Tooltip("chances:Q", title="reloads" if of_reloads else "hours run", format=".1f"),
        alt.Tooltip("sentence:N", title="in words"),
    ]
    click = alt.selection_point(name=CHOSEN, fields=["group"], on="click", empty=False)
    shapes = alt.Scale(domain=list(VERDICT_SHAPES), range=list(VERDICT_SHAPES.values()))
    cases = {"datum.verdict == 'chronic'": look.stopped, "datum.called": look.reloading}
    layers: list[Any] = [
        alt.Chart(drawn.filter(pl.col("group").eq_missing(pl.lit(chosen, pl.String))))
        .mark_rect(color=look.rule, opacity=0.55)
        .encode(y=y),
        base.mark_rule(strokeWidth=2, color=look.ink, clip=True)
        .encode(x=x, x2=alt.X2("to:Q"), tooltip=tips)
        .transform_calculate(to="min(datum.high, datum.full)", rate="datum.low"),
        base.transform_filter("datum.further")
        .mark_point(shape="triangle-right", size=46, color=look.ink, filled=True, opacity=1)
        .encode(x=at("full")),
        base.mark_tick(thickness=2, size=15, color=look.faint).encode(x=at("shrunken"), tooltip=tips),
        base.transform_filter("isValid(datum.rest_rate) && datum.rest_rate <= datum.full")
        .mark_point(shape="M-0.7,-0.7L0.7,0.7M-0.7,0.7L0.7,-0.7", size=50, color=look.ink, strokeWidth=1.6, opacity=1)
        .encode(x=at("rest_rate"), tooltip=tips),
        base.transform_filter("isValid(datum.rate)")
        .mark_point(stroke=look.ink, strokeWidth=1.3, opacity=1, cursor="pointer")
        .encode(
            x=at("rate"),
            shape=alt.Shape("verdict:N", scale=shapes, legend=None),
            size=by_test(alt.SizeValue, {"datum.called": 170}, 60),
            fill=by_test(alt.FillValue, cases, look.paper),
            tooltip=tips,
        )
        .add_params(click),
        base.mark_text(
            align="left",
            baseline="middle",
            color=look.ink,
            fontSize=12,
            cursor="pointer",
            fontWeight=alt.ExprRef("datum.called ? 700 : 400"),
        ).encode(x=at("words_at"), text=alt.Text("words:N")),
    ]
    goal = drawn["goal"].drop_nulls().head(1)
    if len(goal) and goal[0] <= full:
        rule = alt.Chart(pl.DataFrame({"goal": goal})).mark_rule(strokeDash=[5, 3], color=look.ink, opacity=0.8)
        layers.insert(1, rule.encode(x=at("goal"), tooltip=[alt.Tooltip("goal:Q", title="goal")]))
    chart = alt.LayerChart(layer=layers, height=len(shown) * _ROW_PX + _AXIS_PX)
    return in_look(chart, look)


def rates_said(rows: pl.DataFrame, dimension: str, per: str) -> str:
    """What the chart shows, for who cannot see it."""
    told = rows.filter(pl.col("rate").is_not_null()).head(5).iter_rows(named=True)
    each = [
        f"{row['group']} {row['rate']:.1f} ({row['low']:.1f} to {row['high']:.1f}), {row['verdict']}" for row in told
    ]
    return f"Faults {per} by {dimension}, the clearest first: {'; '.join(each)}."


def cumulative(points: pl.DataFrame, line: pl.DataFrame, clock: str, look: Look) -> Spec:
    """Shifts with a fault counted up against hours run or reloads, the fitted law, and an even rate beside.

    Parameters
    ----------
    points : DataFrame
        POINTS of one scope.
    line : DataFrame
        `fault_pattern.fitted` of one scope and clock; may be empty.
    clock : str
        `hours` or `reloads`.
    look : Look
    """
    counted = points.filter("first_of_shift").select(
        x=pl.col(clock).cast(pl.Float64), count=pl.int_range(1, pl.len() + 1), at=pl.col("at").dt.strftime("%Y-%m-%d")
    )
    fits = {field: line.select(x="at", count=field) for field in _FITS}
    return drawing.over({"counted": _thinned(counted), **fits}, _cumulative(clock, look))


@cache
def _cumulative(clock: str, look: Look) -> Spec:
    x = alt.X("x:Q", title="hours run [h]" if clock == "hours" else "reloads", axis=alt.Axis(tickCount=5, grid=False))
    y = alt.Y("count:Q", title="shifts with a fault, counted up", axis=alt.Axis(tickMinStep=1, tickCount=5, format="d"))
    tip = [alt.Tooltip("at:N", title="day (UTC)"), alt.Tooltip("count:Q"), alt.Tooltip("x:Q", title=clock)]
    steps = alt.Chart(drawing.data_of("counted")).mark_line(
        interpolate="step-after", color=look.producing, strokeWidth=2, point={"size": 14}
    )
    layers: list[Any] = [steps.encode(x=x, y=y, tooltip=tip)]
    for field, (said, dash, width) in _FITS.items():
        line = alt.Chart(drawing.data_of(field)).mark_line(color=look.ink, strokeWidth=width, strokeDash=dash)
        layers.append(line.encode(x=alt.X("x:Q"), y=alt.Y("count:Q"), tooltip=alt.TooltipValue(said)))
    return drawing.specification(in_look(alt.LayerChart(layer=layers, height=240), look))


def durations(points: pl.DataFrame, series: dict[str, Any], look: Look) -> alt.LayerChart:
    """Medians of shifts as a share of the planned time, and the levels before and after a change.

    Parameters
    ----------
    points : DataFrame
        POINTS of `reload_durations` of one machine and job.
    series : dict
        Its row of SERIES.
    look : Look
    """
    shown = _numbered(points).with_columns(share=100 * pl.col("against_plan"))
    x = _shifts(shown)
    y = alt.Y("share:Q", title="median of a shift [% of planned time]", scale=alt.Scale(zero=False, padding=8))
    tips = [
        alt.Tooltip("day:N", title="shift"),
        alt.Tooltip("median_s:Q", title="median [s]", format=".1f"),
        alt.Tooltip("planned_s:Q", title="planned [s]"),
        alt.Tooltip("reloads:Q"),
    ]
    plan = alt.Chart(pl.DataFrame({"share": [100.0]})).encode(y=alt.Y("share:Q"))
    layers: list[Any] = [
        plan.mark_rule(strokeDash=[5, 3], color=look.ink),
        alt.Chart(shown)
        .mark_point(size=26, color=look.producing, filled=True, opacity=0.75)
        .encode(x=x, y=y, tooltip=tips),
    ]
    if series["verdict"] in _CHANGED:
        layers += _levels(shown, series, look)
    return in_look(alt.LayerChart(layer=layers, height=220), look)


def ewma(points: pl.DataFrame, look: Look) -> alt.LayerChart:
    """The EWMA of the scores between its limits."""
    shown = _numbered(points).with_columns(low=-pl.col("ewma_limit"))
    return _control(shown, [("ewma", "EWMA", [1, 0])], ["ewma_limit", "low"], "EWMA [spreads]", look)


def cusum(points: pl.DataFrame, look: Look) -> alt.LayerChart:
    """Both sums of the CUSUM, longer upwards and shorter downwards, with their limits."""
    shown = _numbered(points).with_columns(low=-pl.col("cusum_limit"), shorter=-pl.col("cusum_low"))
    lines = [("cusum_high", "longer", [1, 0]), ("shorter", "shorter", [3, 2])]
    return _control(shown, lines, ["cusum_limit", "low"], "CUSUM [spreads]", look)


def fixes(checks: pl.DataFrame, zone: str, look: Look) -> alt.LayerChart:
    """Rates after each fix over those before, with limits: left of 1 is better.

    Parameters
    ----------
    checks : DataFrame
        CHECKS that have a ratio.
    zone : str
        The site's time zone.
    look : Look
    """
    full = 3.0
    shown = checks.with_columns(
        name=fix_name(zone), to=pl.col("ratio_high").clip(upper_bound=full), dot=pl.col("ratio").clip(upper_bound=full)
    )
    drawn = shown.unique("name", keep="first", maintain_order=True).select(
        "name", "ratio", "ratio_low", "ratio_high", "to", "dot", "verdict", full=pl.lit(full * 1.03)
    )
    scale = alt.Scale(domain=[0, full * 1.45], nice=False)
    axis = alt.Axis(values=[0, 0.5, 1, 1.5, 2, 2.5, 3], format="~g", titleAnchor="start", domain=False)
    x = alt.X("ratio_low:Q", scale=scale, title="rate after over rate before", axis=axis)
    y = alt.Y(
        "name:N",
        sort=drawing.AS_ROWS,
        axis=alt.Axis(labelLimit=220, ticks=False, domain=False, title=None, labelPadding=8),
    )
    tips = [alt.Tooltip("name:N"), alt.Tooltip("verdict:N")] + [
        alt.Tooltip(f"{field}:Q", title=title, format=".3f")
        for field, title in (("ratio", "times the rate"), ("ratio_low", "from"), ("ratio_high", "to"))
    ]
    sure = "(datum.verdict == 'fewer since' || datum.verdict == 'more since')"
    base = alt.Chart(drawing.numbered(drawn)).encode(y=y)
    one = alt.Chart(pl.DataFrame({"one": [1.0]})).mark_rule(strokeDash=[5, 3], color=look.ink)
    shapes = alt.Scale(
        domain=["fewer since", "more since", "undecided"], range=["triangle-down", "triangle-up", "circle"]
    )
    layers = [
        one.encode(x=alt.X("one:Q", scale=scale)),
        base.transform_filter(f"datum.ratio_high > {full}")
        .mark_point(shape="triangle-right", size=46, color=look.ink, filled=True, opacity=1)
        .encode(x=alt.X("to:Q", scale=scale)),
        base.mark_rule(strokeWidth=2, color=look.ink, clip=True).encode(x=x, x2=alt.X2("to:Q"), tooltip=tips),
        base.mark_point(stroke=look.ink, strokeWidth=1.3, opacity=1).encode(
            x=alt.X("dot:Q", scale=scale),
            shape=alt.Shape("verdict:N", scale=shapes, legend=None),
            size=by_test(alt.SizeValue, {sure: 150}, 70),
            fill=by_test(alt.FillValue, {sure: look.producing}, look.paper),
            tooltip=tips,
        ),
        base.mark_text(align="left", color=look.ink, fontSize=12, fontWeight=alt.ExprRef(f"{sure} ? 700 : 400")).encode(
            x=alt.X("full:Q", scale=scale), text=alt.Text("verdict:N")
        ),
    ]
    return in_look(alt.LayerChart(layer=layers, height=drawn.height * _ROW_PX + _AXIS_PX), look)


def fix_name(zone: str) -> pl.Expr:
    """What a fix is called: machine, day, what was done."""
    day = pl.col("at").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%d")
    return pl.format("{} {}: {}", "machine", day, "text")


def strip(reloads: pl.DataFrame, span: tuple[date, date], zone: str, look: Look) -> alt.LayerChart:
    """Reloads over time: each that was not clean by its own shape, in the row of its outcome; clean ones by day.

    Parameters
    ----------
    reloads : DataFrame
        OF_RELOADS.
    span : tuple of date
        First and last local day of the axis.
    zone : str
        The site's time zone.
    look : Look
    """
    local = pl.col("start").dt.convert_time_zone(zone)
    placed = reloads.with_columns(
        day=local.dt.date().cast(pl.String),
        at=local.dt.replace_time_zone(None).dt.strftime("%Y-%m-%dT%H:%M:%S"),
        said=local.dt.strftime("%a %Y-%m-%d %H:%M"),
    )
    days = placed.group_by("day").agg(clean=(pl.col("outcome") == "clean").sum(), reloads=pl.len()).sort("day")
    marked = placed.filter(pl.col("outcome") != "clean").head(MARKS)
    order = [name for name in ("failed", "retried", "slow", "empty", "unclear") if name in set(marked["outcome"])]
    marked = marked.select(
        "at", "said", "machine", "outcome", pl.col("first_out_code", "first_out_text").fill_null(DASH),
        known("duration_s", 1), known("planned_s", 1),
    )  # fmt: skip
    row = alt.Y("outcome:N", sort=[*order, CLEAN], title=None, scale=alt.Scale(domain=[*order, CLEAN]),
                axis=alt.Axis(ticks=False, domain=False, labelFontSize=12, labelPadding=8, grid=True))  # fmt: skip
    x = _days("at", span)
    shapes = alt.Scale(domain=list(SHAPES), range=list(SHAPES.values()))
    is_fault = " || ".join(f"datum.outcome == '{outcome}'" for outcome in FILLED)
    marks = (
        alt.Chart(marked)
        .mark_point(stroke=look.ink, strokeWidth=1.2, opacity=0.95)
        .encode(
            x=x,
            y=row,
            shape=alt.Shape("outcome:N", scale=shapes, legend=None),
            size=by_test(alt.SizeValue, {is_fault: 60}, 36),
            fill=by_test(alt.FillValue, {is_fault: look.stopped}, look.paper),
            tooltip=[
                alt.Tooltip("said:N", title="began"),
                alt.Tooltip("machine:N"),
                alt.Tooltip("outcome:N"),
                alt.Tooltip("duration_s:N", title="took [s]"),
                alt.Tooltip("planned_s:N", title="planned [s]"),
                alt.Tooltip("first_out_code:N", title="code"),
                alt.Tooltip("first_out_text:N", title="alarm"),
            ],
        )
    )
    clean = (
        alt.Chart(days.with_columns(outcome=pl.lit(CLEAN), at=pl.format("{}T12:00:00", "day")))
        .mark_tick(thickness=2, color=look.producing, opacity=0.9)
        .encode(
            x=x,
            y=row,
            size=alt.Size("clean:Q", legend=None, scale=alt.Scale(range=[0, 20], domainMin=0)),
            tooltip=[alt.Tooltip("day:N"), alt.Tooltip("clean:Q"), alt.Tooltip("reloads:Q", title="reloads in all")],
        )
    )
    return in_look(alt.LayerChart(layer=[marks, clean], height=24 * (len(order) + 1) + _AXIS_PX), look)


def stop_strip(stops: pl.DataFrame, span: tuple[date, date], zone: str, look: Look) -> alt.Chart:
    """Stops over time, one row a machine: as long as they stood, the shortest still to be seen.

    Parameters
    ----------
    stops : DataFrame
        OF_STOPS.
    span : tuple of date
    zone : str
    look : Look
    """
    local = {name: pl.col(name).dt.convert_time_zone(zone) for name in ("start", "end")}
    shown = stops.head(MARKS).select(
        "machine",
        "cause",
        "code",
        "text",
        *(one.dt.replace_time_zone(None).dt.strftime("%Y-%m-%dT%H:%M:%S").alias(name) for name, one in local.items()),
        said=local["start"].dt.strftime("%a %Y-%m-%d %H:%M"),
        minutes=pl.col("duration_s") / 60,
    )
    tips = [
        alt.Tooltip("said:N", title="from"),
        alt.Tooltip("minutes:Q", title="length [min]", format=".1f"),
        *(alt.Tooltip(f"{field}:N") for field in ("machine", "cause", "code")),
        alt.Tooltip("text:N", title="alarm"),
    ]
    chart = (
        alt.Chart(shown, height=_ROW_PX * shown["machine"].n_unique() + _AXIS_PX)
        .mark_bar(size=13, color=look.stopped, stroke=look.stopped, strokeWidth=3)
        .encode(
            x=_days("start", span),
            x2=alt.X2("end:T"),
            y=alt.Y("machine:N", title=None, axis=alt.Axis(ticks=False, domain=False, grid=True)),
            tooltip=tips,
        )
    )
    return in_look(chart, look)


# --- what several share --------------------------------------------------------------------------


def _full(rows: pl.DataFrame) -> float:
    """Where the axis ends: the rates are all on it, whiskers of few reloads may go beyond."""
    rates = [value for name in ("rate", "shrunken") for value in rows[name].drop_nulls()]
    sure = rows.filter(pl.col("verdict") == "chronic")["high"].to_list()
    goal = rows["goal"].drop_nulls().to_list()[:1]
    return 1.08 * max([*(1.15 * one for one in rates), *sure, *(1.5 * one for one in goal), 0.1])


def _ticks(full: float) -> list[float]:
    """About five round steps from zero."""
    power = 10 ** math.floor(math.log10(full / 5))
    step = next(times * power for times in (1, 2, 5, 10) if full / (times * power) <= 6)
    return [round(number * step, 10) for number in range(int(full / step) + 1)]


def _days(field: str, span: tuple[date, date]) -> alt.X:
    """Local days; a dozen labels or so, of whole weeks where there are many."""
    first, last = span
    number = (last - first).days + 1
    step = next(days for days in (1, 2, 7, 14, 28, 56, 10**6) if number / days <= _LABELS)
    start = first + timedelta(days=-first.weekday() % 7) if step >= 7 else first
    at = [start + timedelta(days=day) for day in range(0, max((last - start).days + 1, 0), step)]
    axis = alt.Axis(values=[_day(one) for one in at], format="%-d %b", grid=False, title="day", labelOverlap=True)
    scale = alt.Scale(domain=[_day(first), _day(last + timedelta(days=1))], nice=False)
    return alt.X(f"{field}:T", axis=axis, scale=scale)


def _day(one: date) -> alt.DateTime:
    return alt.DateTime(year=one.year, month=one.month, date=one.day)


def _thinned(frame: pl.DataFrame) -> pl.DataFrame:
    """Every so-manieth row where there are too many to draw, and the last."""
    every = -(-frame.height // POINTS)
    if every <= 1:
        return frame
    return pl.concat([frame.gather_every(every), frame.tail(1)]).unique(maintain_order=True)


def _numbered(points: pl.DataFrame) -> pl.DataFrame:
    """Shifts in their order: machines do not run every day, and a line along the calendar would be full of holes."""
    day = pl.format("{}, {}", pl.col("shift_date").cast(pl.String), "shift")
    return points.with_columns(
        number=pl.int_range(1, pl.len() + 1), day=day, date=pl.col("shift_date").dt.strftime("%-d %b")
    )


def _shifts(shown: pl.DataFrame) -> alt.X:
    last = max(shown.height, 1)
    at = sorted({1, *(round(1 + part * (last - 1) / 5) for part in range(1, 6))})
    days = dict(zip(shown["number"], shown["date"], strict=True))
    words = ", ".join(f"'{number}': '{days[number]}'" for number in at if number in days)
    axis = alt.Axis(values=at, labelExpr=f"{{{words}}}[datum.value]", grid=False, labelOverlap=True, labelFlush=True)
    return alt.X("number:Q", title="shifts with reloads enough, by day", axis=axis, scale=alt.Scale(nice=False))


def _levels(shown: pl.DataFrame, series: dict[str, Any], look: Look) -> list[Any]:
    """Before and after, and where the change begins."""
    split = shown.filter(pl.col("shift_date") >= series["since"])["number"].min()
    first, last = 1, shown.height
    if split is None:
        return []
    ends = [(first, split, series["before"], "before"), (split, last, series["after"], "after")]
    rows = pl.DataFrame(
        [(start, end, 100 * share, f"{100 * share:.0f} %") for start, end, share, _ in ends],
        schema=["number", "to", "share", "said"],
        orient="row",
    )
    base = alt.Chart(rows).encode(x=alt.X("number:Q"), y=alt.Y("share:Q"))
    return [
        base.mark_rule(strokeWidth=2.5, color=look.stopped).encode(x2=alt.X2("to:Q")),
        base.mark_text(
            align="left", baseline="bottom", dx=4, dy=-3, fontSize=12, fontWeight="bold", color=look.ink
        ).encode(text=alt.Text("said:N")),
    ]


def _control(
    shown: pl.DataFrame, lines: Sequence[tuple[str, str, list[int]]], limits: Sequence[str], title: str, look: Look
) -> alt.LayerChart:
    x = _shifts(shown)
    layers: list[Any] = []
    for field, said, dash in lines:
        tips = [alt.Tooltip("day:N", title="shift"), alt.Tooltip(f"{field}:Q", title=said, format=".3f")]
        layers.append(
            alt.Chart(shown.select("number", "day", field))
            .mark_line(color=look.producing, strokeWidth=2, strokeDash=dash)
            .encode(x=x, y=alt.Y(f"{field}:Q", title=title), tooltip=tips)
        )
    for limit in limits:
        rule = alt.Chart(shown.select("number", limit)).mark_line(color=look.ink, strokeDash=[5, 3], strokeWidth=1.2)
        layers.append(rule.encode(x=x, y=alt.Y(f"{limit}:Q", title=title), tooltip=alt.TooltipValue("limit")))
    return in_look(alt.LayerChart(layer=layers, height=200), look)

"""The review of a night: did the run make what was planned; if not, when did each machine stop and why.

    night = night_review(facts, site)                 the last night the log speaks of
    night = night_review(facts, site, date(...))      the night that began on that local date
    night.machines      one row a machine, the one to walk to first on top

`facts` maps table names to frames (the store's, or straight from `derive`). Everything a page or a terminal
shows is a column here; they compute nothing.
"""

from dataclasses import dataclass
from datetime import date

import polars as pl

from runlog.figures.account import loss_account
from runlog.figures.machines import MACHINES_ABOUT, machine_rows
from runlog.figures.window import (
    Facts,
    Window,
    Windows,
    begun,
    find_window,
    nights_of,
    one_machine,
    touching,
    windows_of,
)
from runlog.site import Site

__all__ = ["MACHINES_ABOUT", "Facts", "NightReview", "Window", "Windows", "night_review", "nights_of", "windows_of"]


@dataclass(frozen=True)
class NightReview:
    """Everything the review shows; frames in the order of `machines`.

    Attributes
    ----------
    window : Window
    machines : DataFrame
        MACHINES_ABOUT: one row a machine, worst first.
    stops : DataFrame
        STOPS that touch the night.
    reloads : DataFrame
        RELOADS begun in it.
    strip : DataFrame
        machine, start, end, kind, cause, seconds, stop_start: spans cut to the night; the start of the stop that a
        stopped one belongs to, null for the others.
    line : DataFrame
        machine, at, made, planned: parts made and planned up to an instant, for drawing.
    time : DataFrame
        machine, line, cause, seconds, parts: the loss account of the night, all lines of `figures.account`.
    nights : list of date
        Every night the log speaks of, oldest first.
    """

    window: Window
    machines: pl.DataFrame
    stops: pl.DataFrame
    reloads: pl.DataFrame
    strip: pl.DataFrame
    line: pl.DataFrame
    time: pl.DataFrame
    nights: list[date]


def night_review(
    facts: Facts,
    site: Site,
    night: date | None = None,
    machine: str | None = None,
    *,
    windows: Windows | None = None,
) -> NightReview:
    """Review one night.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    night : date, optional
        Local date on which the night began; the last one with a log if not given.
    machine : str, optional
        Only this machine.
    windows : Windows, optional
        `windows_of` these facts, where they are known already; those of a single machine are found anew.

    Raises
    ------
    RunlogError
        There are no facts, no such night, or no such machine; the message names what there is.
    """
    if machine is not None:
        facts = one_machine(facts, site, machine)
        windows = None
    window, nights = find_window(windows_of(facts, site) if windows is None else windows, site, night)
    here = _read(facts, window)
    inside = here["shift_figures"]
    machines = machine_rows(here, inside, site, window)
    order = machines.select("machine", "rank")
    stops, reloads, strip, line, time = pl.collect_all(
        [
            _in_order(touching(here["stops"], window), order, "start"),
            _in_order(begun(here["reloads"], window), order, "start"),
            _in_order(_strip(here["spans"], here["stops"], window), order, "start"),
            _in_order(_line(here, machines, window), order, "at"),
            _in_order(_time(inside, here), order, "line"),
        ]
    )
    return NightReview(window, machines, stops, reloads, strip, line, time, nights)


def _read(facts: Facts, window: Window) -> Facts:
    """The facts, those of this night read now that several questions are asked of."""
    parts = facts["parts"].select("machine", "at", "setting", "evidence", "counted_in_batch")
    asked = {
        "parts": begun(parts, window, "at"),
        "reloads": begun(facts["reloads"], window),
        "shift_figures": begun(facts["shift_figures"], window, "shift_start"),
    }
    read = pl.collect_all(asked.values())
    return {**facts, **{name: frame.lazy() for name, frame in zip(asked, read, strict=True)}}


def _in_order(frame: pl.LazyFrame, order: pl.DataFrame, then: str) -> pl.LazyFrame:
    return (
        frame.join(order.lazy(), on="machine", how="inner", maintain_order="left")
        .sort("rank", then, maintain_order=True)
        .drop("rank")
    )


def _strip(spans: pl.LazyFrame, stops: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    cut = touching(spans, window).with_columns(
        start=pl.col("start").clip(lower_bound=window.start), end=pl.col("end").clip(upper_bound=window.end)
    )
    same = pl.struct("machine", "kind", "cause").rle_id()
    standing = touching(stops, window).select("machine", stop_start="start", stop_end="end").sort("stop_start")
    in_stop = (pl.col("kind") == "stopped") & (pl.col("start") < pl.col("stop_end"))
    return (
        cut.sort("machine", "start")
        .group_by(same.alias("run"), "machine", "kind", "cause", maintain_order=True)
        .agg(pl.col("start").first(), pl.col("end").last())
        .sort("start")
        .join_asof(
            standing, left_on="start", right_on="stop_start", by="machine", check_sortedness=False, coalesce=False
        )
        .with_columns(
            seconds=(pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6,
            stop_start=pl.when(in_stop).then("stop_start"),
        )
        .select("machine", "start", "end", "kind", "cause", "seconds", "stop_start")
    )


def _line(facts: Facts, machines: pl.DataFrame, window: Window) -> pl.LazyFrame:
    """Made and planned parts over the clock; the planned line bends where bars or the order end it."""
    counted = facts["parts"].filter(
        pl.col("at").is_between(window.start, window.end, closed="left") & ~pl.col("setting")
    )
    made = counted.sort("machine", "at").select(
        "machine", "at", made=pl.int_range(1, pl.len() + 1).over("machine").cast(pl.Float64)
    )
    ends = machines.lazy().select("machine", made=pl.col("parts").cast(pl.Float64))
    start = ends.select("machine", at=pl.lit(window.start, pl.Datetime("us", "UTC")), made=pl.lit(0.0))
    stop = ends.select("machine", at=pl.lit(window.seen_to, pl.Datetime("us", "UTC")), made="made")
    return pl.concat([start, made, stop, _planned_line(facts["shift_plans"], window)], how="diagonal").select(
        "machine", "at", "made", "planned"
    )


def _planned_line(plans: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    here = plans.filter((pl.col("shift_start") >= window.start) & (pl.col("shift_start") < window.end)).filter(
        pl.col("planned_parts").is_not_null()
    )
    before = pl.col("planned_parts").cum_sum().over("machine") - pl.col("planned_parts")
    reached = pl.min_horizontal(
        pl.col("shift_start")
        + pl.duration(microseconds=(pl.col("planned_parts") * pl.col("standard_time_s") * 1e6).round()),
        "shift_end",
    )
    rows = here.sort("machine", "shift_start").with_columns(before=before, reached=reached)
    upto = pl.col("before") + pl.col("planned_parts")
    return pl.concat(
        [
            rows.select("machine", at="shift_start", planned="before"),
            rows.select("machine", at="reached", planned=upto),
            rows.select("machine", at="shift_end", planned=upto),
        ]
    ).sort("machine", "at")


def _time(figures: pl.LazyFrame, facts: Facts) -> pl.LazyFrame:
    key = ["machine", "shift_date", "shift", "job"]
    losses = facts["shift_losses"].join(figures.select(key), on=key, how="semi")
    account = loss_account(figures, losses)
    return account.group_by("machine", "line", "cause", maintain_order=True).agg(
        pl.col("seconds").sum(),
        pl.when(pl.col("parts").is_not_null().all()).then(pl.col("parts").sum()).alias("parts"),
    )

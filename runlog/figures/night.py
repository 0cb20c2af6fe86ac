"""The review of a night: did the run make what was planned; if not, when did each machine stop and why.

    night = night_review(facts, site)                 the last night the log speaks of
    night = night_review(facts, site, date(...))      the night that began on that local date
    night.machines      one row a machine, the one to walk to first on top

`facts` maps table names to frames (the store's, or straight from `derive`). Everything a page or a terminal
shows is a column here; they compute nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Final

import polars as pl

from runlog import calendar
from runlog.errors import RunlogError
from runlog.figures.account import loss_account
from runlog.figures.ratios import rolled_up
from runlog.figures.words import ending, machine_sentence, not_measured
from runlog.schema import NO_JOB, OUTCOMES
from runlog.site import Site

Facts = Mapping[str, pl.LazyFrame]

MACHINES_ABOUT: Final = {
    "rank": "1 is the machine to walk to first",
    "machine": "name in the site file",
    "jobs": "jobs of the night, comma separated",
    "finding": "one sentence: what happened",
    "ending": "how its run ended: the first half of the finding, for where the numbers stand beside it",
    "planned_parts": "planned up to the window's end, or so far in a night still running; null without a job",
    "limit": "time, bars or order: what bound the plan",
    "parts": "parts made, setting parts out",
    "good_parts": "good parts; null: quality was not measured",
    "parts_lost": "planned less made",
    "hours_lost": "standard hours lost against plan, parts x PRI [h]",
    "standing_now": "its stop is still open at the end of the log",
    "stopped_at": "start of the stop, setting or lost signal that ended its run; null if it ran through",
    "ended_by": "stop, visit, order complete, out of bars, no signal, window, not started",
    "cause": "cause of the stop that ended its run",
    "code": "native code of the first-out",
    "text": "its words",
    "consequences": "further alarms counted after the first-out",
    "run_h": "hours producing and reloading [h]",
    "planned_h": "planned busy time, or so far in a night still running [h]",
    "clean": "reloads by outcome",
    "slow": "",
    "retried": "",
    "failed": "",
    "empty": "",
    "unclear": "",
    "reload_mean_s": "mean time of reloads that brought a bar [s]",
    "reload_planned_s": "planned reload time [s]",
    "bars": "bars finished in the night: those whose remnant is known",
    "remnant_mm": "their remnants together [mm]",
    "remnant_kg": "",
    "planned_remnant_mm": "planned remnants of as many bars [mm]",
    "planned_remnant_kg": "",
    "remnant_basis": "measured, inferred, measured and inferred",
    "run_out_at": "when bars were planned to run out; null where they do not bind",
    "bars_held": "bars in the magazine at the start, and how that is known",
    "bars_basis": "noted, or magazine: taken as full",
    "main_utilisation": "main spindle turning / PBT; null: not measured",
    "sub_utilisation": "sub-spindle turning / PBT; null: not measured",
    "coverage": "share of the planned time the log speaks of",
    "not_measured": "what was not measured, comma separated; empty if nothing",
}
"""Columns of `NightReview.machines`."""


@dataclass(frozen=True)
class Window:
    """The night under review, as instants and as the shop calls it.

    Attributes
    ----------
    night : date
        Local date on which it began.
    start, end : datetime
        Of the window planned with nobody present, UTC.
    seen_to : datetime
        End of what the log tells of it: `end`, or the horizon in a night still running.
    log_end : datetime
        End of the log of all machines, UTC: how old what is shown is.
    zone : str
        The site's time zone, in which people read times.
    attended : bool
        No shift is planned unattended: the last shift is reviewed instead.
    """

    night: date
    start: datetime
    end: datetime
    seen_to: datetime
    log_end: datetime
    zone: str
    attended: bool

    @property
    def hours(self) -> float:
        """Length of the window. [h]"""
        return (self.end - self.start).total_seconds() / 3600

    @property
    def running(self) -> bool:
        """The log ends before the window does."""
        return self.seen_to < self.end


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
        machine, start, end, kind, cause, seconds: spans cut to the night.
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


def night_review(facts: Facts, site: Site, night: date | None = None, machine: str | None = None) -> NightReview:
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

    Raises
    ------
    RunlogError
        There are no facts, no such night, or no such machine; the message names what there is.
    """
    if machine is not None:
        facts = _one_machine(facts, site, machine)
    window, nights = _window(facts, site, night)
    inside = _figures(facts, window)
    machines = _machines(facts, inside, site, window)
    order = machines.select("machine", "rank")
    return NightReview(
        window=window,
        machines=machines,
        stops=_in_order(_touching(facts["stops"], window), order, "start"),
        reloads=_in_order(_begun(facts["reloads"], window), order, "start"),
        strip=_in_order(_strip(facts["spans"], window), order, "start"),
        line=_in_order(_line(facts, machines, window), order, "at"),
        time=_in_order(_time(inside, facts), order, "line"),
        nights=nights,
    )


def nights_of(facts: Facts, site: Site) -> list[date]:
    """Local dates of the nights the log speaks of, oldest first; empty without facts."""
    return [start.astimezone(site.zone).date() for start, _ in _windows(facts, site)[0]]


# --- which night ---------------------------------------------------------------------------------


def _windows(facts: Facts, site: Site) -> tuple[list[tuple[datetime, datetime]], bool]:
    """Windows to review and whether they are attended shifts, for want of unattended ones."""
    first, horizon = _log_ends(facts)
    if first is None or horizon is None:
        return [], False
    windows = calendar.unattended(site, first, horizon)
    if windows.height:
        return [(start, end) for start, end in windows.iter_rows()], False
    shifts = calendar.shifts(site, first, horizon)
    return list(shifts.select("shift_start", "shift_end").iter_rows()), True


def _log_ends(facts: Facts) -> tuple[datetime | None, datetime | None]:
    return facts["spans"].select(pl.col("start").min(), pl.col("end").max()).collect().row(0)


def _window(facts: Facts, site: Site, night: date | None) -> tuple[Window, list[date]]:
    windows, attended = _windows(facts, site)
    _, horizon = _log_ends(facts)
    if not windows or horizon is None:
        raise RunlogError("The store holds no facts yet: read logs first, `runlog ingest PATH --site site.toml`.")
    dates = [start.astimezone(site.zone).date() for start, _ in windows]
    number = len(windows) - 1 if night is None else _number_of(night, windows, dates, site)
    start, end = windows[number]
    window = Window(dates[number], start, end, min(end, horizon), horizon, site.site.time_zone, attended)
    return window, sorted(set(dates))


def _number_of(night: date, windows: list[tuple[datetime, datetime]], dates: list[date], site: Site) -> int:
    if night in dates:
        return len(dates) - 1 - dates[::-1].index(night)
    noon = datetime(night.year, night.month, night.day, 23, 59, tzinfo=site.zone).astimezone(UTC)
    for number, (start, end) in enumerate(windows):
        if start <= noon < end:
            return number
    raise RunlogError(f"--date {night}: no night in the log, one from {dates[0]} to {dates[-1]} expected.")


def _one_machine(facts: Facts, site: Site, machine: str) -> Facts:
    known = facts["spans"].select("machine").unique().collect()["machine"].to_list()
    if machine not in known:
        named = ", ".join(sorted(known)) or "none yet"
        raise RunlogError(f"--machine {machine}: not in the log, one of these expected: {named}.")
    return {name: frame.filter(pl.col("machine") == machine) for name, frame in facts.items()}


# --- the night's frames --------------------------------------------------------------------------


def _figures(facts: Facts, window: Window) -> pl.LazyFrame:
    starts = pl.col("shift_start")
    return facts["shift_figures"].filter((starts >= window.start) & (starts < window.end))


def _touching(frame: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    return frame.filter((pl.col("end") > window.start) & (pl.col("start") < window.end))


def _begun(frame: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    return frame.filter((pl.col("start") >= window.start) & (pl.col("start") < window.end))


def _in_order(frame: pl.LazyFrame, order: pl.DataFrame, then: str) -> pl.DataFrame:
    return frame.join(order.lazy(), on="machine", how="inner").sort("rank", then).drop("rank").collect()


def _strip(spans: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    cut = _touching(spans, window).with_columns(
        start=pl.col("start").clip(lower_bound=window.start), end=pl.col("end").clip(upper_bound=window.end)
    )
    same = pl.struct("machine", "kind", "cause").rle_id()
    return (
        cut.sort("machine", "start")
        .group_by(same.alias("run"), "machine", "kind", "cause", maintain_order=True)
        .agg(pl.col("start").first(), pl.col("end").last())
        .with_columns(seconds=(pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6)
        .select("machine", "start", "end", "kind", "cause", "seconds")
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


# --- one row a machine ---------------------------------------------------------------------------


def _machines(facts: Facts, figures: pl.LazyFrame, site: Site, window: Window) -> pl.DataFrame:
    made = rolled_up(figures, "machine").select(
        "machine",
        "parts",
        "good_parts",
        "pbt_s",
        "apt_s",
        "reload_overrun_s",
        "producing_s",
        "parts_unseen",
        "main_utilisation",
        "sub_utilisation",
        "coverage",
        "pri_parts_s",
        "setting_parts",
    )
    rows = (
        made.join(_jobs(figures), on="machine", how="left")
        .join(_plans(facts["shift_plans"], window), on="machine", how="left")
        .join(_reload_counts(facts["reloads"], window), on="machine", how="left")
        .join(_remnants(facts["bars"], window), on="machine", how="left")
        .join(_endings(facts, window), on="machine", how="left")
        .join(_evidence(facts["parts"], window), on="machine", how="left")
    )
    lost = pl.col("planned_parts") - pl.col("parts")
    rows = rows.with_columns(
        pl.col(*OUTCOMES).fill_null(0),
        pl.col("standing_now").fill_null(False),
        ended_by=pl.col("ended_by").fill_null("not started"),
        parts_lost=lost,
        hours_lost=lost * pl.col("standard_time_s") / 3600,
        run_h=(pl.col("apt_s") + pl.col("reload_overrun_s")) / 3600,
        planned_h=pl.col("pbt_s") / 3600,
    )
    ranked = (
        rows.sort(
            "standing_now",
            "hours_lost",
            "machine",
            descending=[True, True, False],
            nulls_last=[True, True, True],
        )
        .with_row_index("rank", 1)
        .with_columns(
            not_measured=not_measured(), finding=machine_sentence(site.zone.key), ending=ending(site.zone.key)
        )
        .collect()
    )
    return ranked.select(*MACHINES_ABOUT)


def _jobs(figures: pl.LazyFrame) -> pl.LazyFrame:
    worked = figures.filter((pl.col("parts") > 0) | (pl.col("job") != NO_JOB)).sort("shift_start", "job")
    return worked.group_by("machine").agg(jobs=pl.col("job").unique(maintain_order=True).str.join(", "))


def _plans(plans: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    """The plan of the window; in a night still running, the planned line at the end of the log."""
    here = plans.filter((pl.col("shift_start") >= window.start) & (pl.col("shift_start") < window.end)).sort(
        "machine", "shift_start"
    )
    so_far_s = (pl.min_horizontal(pl.lit(window.seen_to), "shift_end") - pl.col("shift_start")).dt.total_seconds()
    by_now = pl.min_horizontal("planned_parts", so_far_s.clip(lower_bound=0) / pl.col("standard_time_s"))
    planned = by_now if window.running else pl.col("planned_parts")
    return (
        here.with_columns(planned=planned)
        .group_by("machine")
        .agg(
            planned_parts=pl.when(pl.col("planned").is_not_null().all()).then(pl.col("planned").sum()),
            limit=pl.col("limit").last(),
            standard_time_s=pl.col("standard_time_s").first(),
            run_out_at=pl.col("run_out_at").drop_nulls().first(),
            bars_held=pl.col("bars").first(),
            bars_basis=pl.col("bars_basis").first(),
        )
    )


def _reload_counts(reloads: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    rated = _begun(reloads, window).filter(~pl.col("hand_load"))
    brought = pl.col("outcome").is_in(["clean", "slow", "retried"])
    return rated.group_by("machine").agg(
        *((pl.col("outcome") == outcome).sum().alias(outcome) for outcome in OUTCOMES),
        reload_mean_s=pl.col("duration_s").filter(brought).mean(),
        reload_planned_s=pl.col("planned_s").filter(brought).mean(),
    )


def _remnants(bars: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    finished = pl.col("finished_at")
    here = bars.filter((finished >= window.start) & (finished < window.end) & pl.col("remnant_mm").is_not_null())
    return here.group_by("machine").agg(
        bars=pl.len(),
        remnant_mm=pl.col("remnant_mm").sum(),
        remnant_kg=_all_or_null("remnant_kg"),
        planned_remnant_mm=_all_or_null("planned_remnant_mm"),
        planned_remnant_kg=_all_or_null("planned_remnant_kg"),
        remnant_basis=pl.col("remnant_basis").unique().sort(descending=True).str.join(" and "),
    )


def _all_or_null(name: str) -> pl.Expr:
    return pl.when(pl.col(name).is_not_null().all()).then(pl.col(name).sum()).alias(name)


def _endings(facts: Facts, window: Window) -> pl.LazyFrame:
    """How the last run of the window ended, with the stop behind it, and whether it still stands."""
    runs = facts["unattended_runs"].filter(pl.col("window_start") == window.start).sort("machine", "start")
    last = runs.group_by("machine").agg(
        ended_by=pl.col("ended_by").last().fill_null("still running"), run_end=pl.col("end").last()
    )
    stops = facts["stops"].select("machine", "start", "cause", "code", "text", "consequences", open_stop=pl.col("open"))
    ended_early = pl.col("ended_by").is_in(["stop", "order complete", "out of bars", "no signal"])
    standing = (
        facts["stops"]
        .filter(pl.col("open") & (pl.col("start") < window.end))
        .group_by("machine")
        .agg(standing_now=pl.lit(True).first(), open_since=pl.col("start").last())
    )
    return (
        last.join(standing, on="machine", how="full", coalesce=True)
        .with_columns(
            stop_key=pl.when(pl.col("ended_by").fill_null("not started") == "not started")
            .then("open_since")
            .otherwise("run_end")
        )
        .join(stops, left_on=["machine", "stop_key"], right_on=["machine", "start"], how="left")
        .with_columns(
            stopped_at=pl.when(ended_early | pl.col("ended_by").is_null()).then("stop_key"),
        )
        .select(
            "machine",
            "ended_by",
            "stopped_at",
            "cause",
            "code",
            "text",
            "consequences",
            pl.col("standing_now").fill_null(False),
        )
    )


def _evidence(parts: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    here = parts.filter(pl.col("at").is_between(window.start, window.end, closed="left"))
    return here.group_by("machine").agg(
        part_evidence=pl.col("evidence").unique().sort().str.join(", "),
        in_batch=pl.col("counted_in_batch").sum(),
    )

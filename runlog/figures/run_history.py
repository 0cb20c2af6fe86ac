"""Unattended runs as endurance and forecasts look at them: how long each lasted, in which unit, and what ended it.

A run *stopped* if a night-ending stop ended it; any other ending (window, visit, order complete, out of bars, signal
lost, log ended) only says that it had lasted so long. Stops of the group bar supply are counted by the reload, all
others by the hour of producing and reloading.
"""

from datetime import date, timedelta
from typing import Final

import polars as pl

from runlog.figures.window import Facts
from runlog.plan import plan_job
from runlog.schema import NO_JOB
from runlog.site import Site

WINDOW: Final = timedelta(weeks=13)
"""How far back runs are looked at unless days are named."""
STOP: Final = "stop"
OUT_OF_BARS: Final = "out of bars"
TOO_FEW_BARS: Final = "too few bars in the magazine"
"""What a run that ended so is said to have lacked, beside the causes of stops."""
BY_RELOAD: Final = "bar supply"
"""Group of causes whose chances to strike are reloads, not hours."""
_PACE_PARTS: Final = 20
"""A run of fewer parts says little of the pace."""
_WORKING: Final = ("producing", "reloading")


def run_history(facts: Facts, site: Site, first: date | None = None, last: date | None = None) -> pl.DataFrame:
    """Every unattended run of some days.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    first, last : date, optional
        Local days on which their windows began, both included; all there are if not given.

    Returns
    -------
    DataFrame
        By machine and start: machine, job, diameter_mm (null without a job), window_start, start, planned_end, end,
        until (when somebody came to the machine at work, else the window's end), ended_by (null: the log ended
        first), cause, stopped, by_reload (its cause strikes by the reload), parts, planned_parts, reloads (attempts
        at an empty magazine left out), clock_h, working_h (producing and reloading) [h], cycle_s, reload_s,
        parts_per_bar (as planned; null without a job), pace (clock time over the planned time of its parts; null
        where it says little).
    """
    # Bars loaded in a run are what a forecast must not know.
    runs = facts["unattended_runs"].filter(pl.col("end") > pl.col("start")).drop("bars", "limit")
    began = pl.col("window_start").dt.convert_time_zone(site.site.time_zone).dt.date()
    runs = runs.filter(began >= first) if first else runs
    runs = runs.filter(began <= last) if last else runs
    hours = (pl.col("end") - pl.col("start")).dt.total_microseconds() / 3.6e9
    groups = site.cause_groups
    # When somebody came to a stop says nothing: they may have come because of it. A visit to a machine at work does.
    came = pl.when(pl.col("ended_by") == "visit").then("end")
    known = runs.with_columns(
        until=pl.min_horizontal("planned_end", came),
        stopped=(pl.col("ended_by") == STOP).fill_null(False),
        clock_h=hours,
        reloads=pl.col("reloads") - (pl.col("ended_by") == OUT_OF_BARS).fill_null(False).cast(pl.Int64),
    ).with_columns(
        pl.col("reloads").clip(lower_bound=0),
        by_reload=pl.col("stopped") & (_group(groups) == BY_RELOAD),
    )
    timed = _with_working(known, facts["spans"]).collect()
    return (
        timed.join(planned_pairs(timed.select("machine", "job").unique(), site), on=["machine", "job"], how="left")
        .with_columns(pace=_pace())
        .sort("machine", "start")
    )


def _group(groups: dict[str, str]) -> pl.Expr:
    return pl.col("cause").replace_strict(groups, default="unexplained", return_dtype=pl.String()).fill_null("")


def _with_working(runs: pl.LazyFrame, spans: pl.LazyFrame) -> pl.LazyFrame:
    """Add working_h: hours of the run in which the machine was producing or reloading."""
    length = pl.col("end") - pl.col("start")
    worked = (
        spans.filter(pl.col("kind").is_in(_WORKING))
        .sort("machine", "start")
        .select(
            "machine",
            span_start="start",
            length=length,
            before=(length.dt.total_microseconds().cum_sum().over("machine") - length.dt.total_microseconds()),
        )
    )

    both = pl.concat(
        [runs.select("machine", "start", moment=pl.col(at), at=pl.lit(at)) for at in ("start", "end")]
    ).sort("moment")
    found = both.join_asof(
        worked, left_on="moment", right_on="span_start", by="machine", check_sortedness=False, coalesce=False
    )
    inside = pl.min_horizontal(pl.col("moment") - pl.col("span_start"), "length").dt.total_microseconds()
    done = (pl.col("before") + inside).fill_null(0)
    hours = found.group_by("machine", "start").agg(
        working_h=(done.filter(pl.col("at") == "end").first() - done.filter(pl.col("at") == "start").first()) / 3.6e9
    )
    return runs.join(hours, on=["machine", "start"], how="left")


def planned_pairs(pairs: pl.DataFrame, site: Site) -> pl.DataFrame:
    """What is planned of each machine and job: machine, job, diameter_mm, cycle_s, reload_s, parts_per_bar, bars_held.

    Pairs whose job the site file does not know, or whose bar gives no part, have nothing but `bars_held`.
    """
    rows = [_planned(machine, job, site) for machine, job in pairs.select("machine", "job").iter_rows()]
    return pl.DataFrame(rows, schema=PAIRS, orient="row")


PAIRS: Final = pl.Schema(
    {
        "machine": pl.String(),
        "job": pl.String(),
        "diameter_mm": pl.Float64(),
        "cycle_s": pl.Float64(),
        "reload_s": pl.Float64(),
        "parts_per_bar": pl.Int64(),
        "bars_held": pl.Int64(),
    }
)


def _planned(
    machine: str, name: str, site: Site
) -> tuple[str, str, float | None, float | None, float | None, int | None, int | None]:
    feeder = site.machine(machine).feeder
    held = feeder.bars_held if feeder else None
    job = site.job(name or NO_JOB)
    if job is None:
        return machine, name, None, None, None, None, held
    plan = plan_job(site, machine, job)
    if not plan.parts_per_bar:
        return machine, name, job.diameter_mm, None, None, None, held
    return machine, name, job.diameter_mm, plan.cycle_s, plan.reload_s, plan.parts_per_bar, held


def _pace() -> pl.Expr:
    """Clock time over the planned time of the parts made; of runs that were not cut off in the midst of a cycle."""
    planned_s = pl.col("parts") * pl.col("cycle_s") + pl.col("reloads") * pl.col("reload_s")
    whole = pl.col("ended_by").is_in(["window", OUT_OF_BARS, "order complete"])
    return pl.when(whole & (pl.col("parts") >= _PACE_PARTS)).then(pl.col("clock_h") * 3600 / planned_s)

"""Tonight: how far each machine will get, how many bars to load, what to fix first, and whether to believe it.

    review = tonight_review(facts, site, now)                  what runs now, magazines taken as full
    review = tonight_review(facts, site, now, plan=plan)       what somebody wrote down is loaded
    review.machines, review.fixes, review.check

Everything comes from the runs of the last 13 weeks. Where there is no history it is said, not guessed.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import polars as pl

from runlog.figures.cautions import CAUTIONS
from runlog.figures.forecast import DRAWS, NIGHTS, forecasts
from runlog.figures.forecast_check import ForecastCheck, forecast_check
from runlog.figures.forecast_history import MAGAZINE, History, shared_order, with_stock
from runlog.figures.forecast_shop import ShopForecast, shop_forecast
from runlog.figures.night_causes import night_gains, ranked
from runlog.figures.run_history import WINDOW, planned_pairs, run_history
from runlog.figures.window import Facts
from runlog.naming import first_of
from runlog.plan.run import next_start, stretch_at
from runlog.schema import NO_JOB
from runlog.site import Site

GIVEN: Final = "given"
LITTLE: Final = 10
"""Fewer runs than these are little history."""
_OLD: Final = timedelta(hours=24)
_NAMED: Final = 8
"""Machines that a note names; of more it tells how many."""

NOTHING_KNOWN: Final = "no unattended run in the log yet: nothing to forecast from"


@dataclass(frozen=True)
class Tonight:
    """What is to be expected of a night.

    Attributes
    ----------
    machines : DataFrame
        One row a machine, the least likely to reach its planned end first: NIGHTS and FORECASTS (`figures.forecast`),
        end (of the window), attended (it is no unattended one), planned_end_at, bars_out_at, first_stop_at,
        bars_held, finding (one sentence), notes (what to know of it, a sentence a line; empty if nothing).
    shop : ShopForecast or None
        All machines together; None where none can be forecast.
    gains : DataFrame
        `night_causes.GAINS`: parts a night gained per machine and cause.
    fixes : DataFrame
        `night_causes.ranked`: the same by cause, what to fix first on top.
    check : ForecastCheck
        How good forecasts like these have been.
    log_end : datetime or None
        How far the log reaches, UTC.
    notes : list of str
        What to know of the whole.
    cautions : tuple of str
        What no figure here may be taken for.
    zone : str
        The site's time zone.
    """

    machines: pl.DataFrame
    shop: ShopForecast | None
    gains: pl.DataFrame
    fixes: pl.DataFrame
    check: ForecastCheck
    log_end: datetime | None
    notes: list[str]
    cautions: tuple[str, ...]
    zone: str


@dataclass(frozen=True)
class Past:
    """What the last 13 weeks say of nights to come: the same for every plan.

    Attributes
    ----------
    runs : DataFrame
        `run_history`, with their stock.
    history : History
    check : ForecastCheck
    quality : DataFrame
        Good and bad parts of each machine and job.
    log_end : datetime or None
        End of the log.
    """

    runs: pl.DataFrame
    history: History
    check: ForecastCheck
    quality: pl.DataFrame
    log_end: datetime | None


def past_nights(facts: Facts, site: Site) -> Past:
    """Learn from the nights there were."""
    runs = with_stock(run_history(facts, site), facts["shift_plans"])
    history = History(runs)
    log_end = facts["spans"].select(pl.col("end").max()).collect().item()
    return Past(runs, history, forecast_check(runs, history), _quality(facts), log_end)


def tonight_review(
    facts: Facts,
    site: Site,
    now: datetime,
    *,
    plan: pl.DataFrame | None = None,
    start: datetime | None = None,
    draws: int = DRAWS,
    past: Past | None = None,
) -> Tonight:
    """Forecast a night.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    now : datetime
        With zone.
    plan : DataFrame, optional
        machine, job, bars, parts_left, at; the machines with the job they run now and a full magazine if not given.
    start : datetime, optional
        Start of the night where there is no plan; that of the next unattended shift if not given.
    draws : int
        Times each night is played.
    past : Past, optional
        From `past_nights` of the same facts, where it is known already.
    """
    before = past or past_nights(facts, site)
    asked = plan if plan is not None else running_now(facts, start or next_start(site, now))
    nights = _nights(asked, before.quality, facts, site)
    found = forecasts(nights, before.history, draws)
    gains = night_gains(nights, before.runs, before.history)
    log_end = before.log_end
    zone = site.site.time_zone
    return Tonight(
        machines=_told(found, zone),
        shop=shop_forecast(nights, before.history, draws),
        gains=gains,
        fixes=ranked(gains),
        check=before.check,
        log_end=log_end,
        notes=[*_notes(before.runs, log_end, now), *_stock_notes(found)],
        cautions=CAUTIONS,
        zone=zone,
    )


def running_now(facts: Facts, start: datetime) -> pl.DataFrame:
    """Every machine in the log with the job it was on last, as a plan: machine, job, bars, parts_left, at."""
    last = facts["spans"].group_by("machine").agg(pl.col("job").get(pl.col("start").arg_max())).sort("machine")
    return last.with_columns(
        bars=pl.lit(None, pl.Int64), parts_left=pl.lit(None, pl.Int64), at=pl.lit(start, pl.Datetime("us", "UTC"))
    ).collect()


def _nights(asked: pl.DataFrame, quality: pl.DataFrame, facts: Facts, site: Site) -> pl.DataFrame:
    ends = {at: stretch_at(site, at) for at in asked["at"].unique().to_list()}
    known = {at: stretch.end for at, stretch in ends.items() if stretch is not None}
    attended = {at: stretch.attended for at, stretch in ends.items() if stretch is not None}
    here = (
        asked.join(planned_pairs(asked.select("machine", "job").unique(), site), on=["machine", "job"], how="left")
        .join(_orders(asked["job"].unique().to_list(), facts, site), on="job", how="left")
        .join(quality, on=["machine", "job"], how="left")
        .with_columns(
            end=pl.col("at").replace_strict(known, default=None, return_dtype=pl.Datetime("us", "UTC")),
            attended=pl.col("at").replace_strict(attended, default=None, return_dtype=pl.Boolean),
            bars_basis=pl.when(pl.col("bars").is_not_null())
            .then(pl.lit(GIVEN))
            .when(pl.col("bars_held").is_not_null())
            .then(pl.lit(MAGAZINE)),
        )
    )
    return here.with_columns(
        hours=(pl.col("end") - pl.col("at")).dt.total_microseconds() / 3.6e9,
        bars=pl.coalesce("bars", "bars_held"),
        order_wanted="order_left",
        order_left=shared_order("at"),
    ).select(*NIGHTS, "end", "attended", "bars_held", "order_wanted")


def _orders(jobs: list[str], facts: Facts, site: Site) -> pl.DataFrame:
    """Parts that the order of each job still wants, all good parts of the log counted: job, order_left."""
    wanted = {name: job.order_quantity for name in jobs if (job := site.job(name)) and job.order_quantity}
    made = (
        facts["parts"]
        .filter(pl.col("job").is_in(list(wanted)) & ~pl.col("setting") & pl.col("good").fill_null(True))
        .group_by("job")
        .agg(done=pl.len())
        .collect()
        if wanted
        else pl.DataFrame(schema={"job": pl.String, "done": pl.UInt32})
    )
    orders = pl.DataFrame(
        {"job": list(wanted), "wanted": list(wanted.values())}, schema={"job": pl.String, "wanted": pl.Int64}
    )
    left = (pl.col("wanted") - pl.col("done").fill_null(0).cast(pl.Int64)).clip(lower_bound=0)
    return orders.join(made, on="job", how="left").select("job", order_left=left)


def _quality(facts: Facts) -> pl.DataFrame:
    """Good and bad parts of each machine and job in the last 13 weeks, of shifts in which quality was measured."""
    measured = facts["shift_figures"].filter(pl.col("good_parts").is_not_null() & (pl.col("parts") > 0))
    recent = measured.filter(pl.col("shift_date") > pl.col("shift_date").max() - WINDOW)
    return (
        recent.group_by("machine", "job")
        .agg(good_seen=pl.col("good_parts").sum(), bad_seen=(pl.col("parts") - pl.col("good_parts")).sum())
        .collect()
    )


# --- in words ------------------------------------------------------------------------------------


def _told(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    moments = {
        name: pl.col("at") + pl.duration(microseconds=(pl.col(hours) * 3.6e9).round())
        for name, hours in (
            ("planned_end_at", "planned_end_h"),
            ("bars_out_at", "bars_out_h"),
            ("first_stop_at", "first_stop_h"),
        )
    }
    timed = rows.with_columns(**moments)
    return timed.with_columns(finding=_finding(zone), notes=_machine_notes()).sort("reach", "machine", nulls_last=True)


def _clock(name: str, zone: str) -> pl.Expr:
    return pl.col(name).dt.convert_time_zone(zone).dt.strftime("%a %H:%M")


def _percent(name: str) -> pl.Expr:
    return (100 * pl.col(name)).round().cast(pl.Int64)


def _finding(zone: str) -> pl.Expr:
    """One sentence on a machine's night."""
    goal = (
        pl.when(pl.col("planned_end_by") == "bars")
        .then(pl.format("the last of {} bars at {}", "bars", _clock("planned_end_at", zone)))
        .when(pl.col("planned_end_by") == "order")
        .then(pl.format("the end of the order at {}", _clock("planned_end_at", zone)))
        .otherwise(pl.format("the end of the window at {}", _clock("end", zone)))
    )
    kind = pl.when(pl.col("good_parts").is_not_null()).then(pl.lit("good parts")).otherwise(pl.lit("parts"))
    mean, low, high = (
        pl.coalesce(good, made).round().cast(pl.Int64)
        for good, made in (("good_parts", "parts"), ("good_low", "parts_low"), ("good_high", "parts_high"))
    )
    span = pl.when(low == high).then(pl.format("{}", low)).otherwise(pl.format("{} to {}", low, high))
    stop = pl.when(pl.col("first_stop_at").is_not_null()).then(
        pl.format("; if it stops, about {}", _clock("first_stop_at", zone))
    )
    told = pl.concat_str(
        [
            pl.format("{} % to reach {}", _percent("reach"), goal),
            pl.format("; {} {} on average, {} in four nights of five", mean, kind, span),
            stop.otherwise(pl.lit("")),
        ]
    )
    return (
        pl.when(pl.col("reach").is_not_null())
        .then(told)
        .when(pl.col("job") == NO_JOB)
        .then(pl.lit("no job known for its program: not forecast"))
        .when(pl.col("end").is_null())
        .then(pl.lit("no shift is planned at that time: not forecast"))
        .when(pl.col("parts_per_bar").is_null())
        .then(pl.lit("no plan for its job: not forecast"))
        .otherwise(pl.lit(NOTHING_KNOWN))
    )


def _machine_notes() -> pl.Expr:
    able = pl.col("reach").is_not_null()
    more = pl.col("bars_worth") - pl.col("bars")
    sentences = [
        pl.when(able & (pl.col("history_runs") == 0)).then(
            pl.lit("no unattended run of this machine yet: the others of the shop stand for it")
        ),
        pl.when(able & pl.col("history_runs").is_between(1, LITTLE - 1)).then(
            pl.format(
                "little history: {} unattended {} of this machine",
                "history_runs",
                pl.when(pl.col("history_runs") == 1).then(pl.lit("run")).otherwise(pl.lit("runs")),
            )
        ),
        pl.when(able & (pl.col("pace_basis") == "plan")).then(pl.lit("pace as planned: nobody ran yet")),
        pl.when(able & pl.col("pace_basis").is_in(["machine", "shop"])).then(
            pl.format("this job ran too few nights here: pace of the {}", "pace_basis")
        ),
        pl.when(able & (more > 0) & (pl.col("bars_worth") > pl.col("bars_held"))).then(
            pl.format("{} bars would be worth loading, the magazine holds {}", "bars_worth", "bars_held")
        ),
        pl.when(able & (more > 0) & ~(pl.col("bars_worth") > pl.col("bars_held")).fill_null(False)).then(
            pl.format("{} more bars are worth loading", more)
        ),
        pl.when(able & pl.col("attended")).then(
            pl.lit("somebody is planned to be there then: this is how far it would get alone")
        ),
        pl.when(able & (pl.col("order_wanted") == 0)).then(
            pl.lit("its order is made up: taken as running on all the same")
        ),
    ]
    return pl.concat_str(sentences, separator="\n", ignore_nulls=True)


def _notes(runs: pl.DataFrame, log_end: datetime | None, now: datetime) -> list[str]:
    notes = []
    if not runs.height:
        notes.append(f"{NOTHING_KNOWN[0].upper()}{NOTHING_KNOWN[1:]}.")
    if log_end is not None and now - log_end > _OLD:
        days = (now - log_end).days
        notes.append(
            f"The log ends {days} {'day' if days == 1 else 'days'} ago: what has changed since is not in here."
        )
    return notes


def _stock_notes(rows: pl.DataFrame) -> list[str]:
    """What of the stock nobody told."""
    able = rows.filter(pl.col("reach").is_not_null())
    full = able.filter(pl.col("bars_basis") == MAGAZINE)["machine"].sort().to_list()
    unlimited = able.filter(pl.col("bars").is_null())["machine"].sort().to_list()
    said = {
        "Taken as full, for want of a count, the magazines of": full,
        "Without a feeder in the site file, so that bars do not end the night:": unlimited,
    }
    notes = [f"{words} {first_of(machines, _NAMED)}." for words, machines in said.items() if machines]
    return [*notes, "Look how many bars there are, and say so: on the page, or with --plan."] if full else notes

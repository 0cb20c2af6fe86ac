"""What is planned for a job, put together for a person: how far it gets, what it takes, what pays.

    review = plan_review(site, "bush 4711", now)       each machine's run, the order's stock, short batches

Sentences are made here, so that the terminal and the pages say the same.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

import polars as pl

from runlog.errors import RunlogError
from runlog.plan.batches import batch_curve, changeovers, paying_batches, rhythm
from runlog.plan.clock import start_of
from runlog.plan.order import OrderStock, order_stock
from runlog.plan.run import next_start, run_plans
from runlog.site import Job, Site

__all__ = ["PlanReview", "job_named", "machines_named", "next_start", "plan_review", "start_of"]


@dataclass(frozen=True)
class PlanReview:
    """A job's plan from a start on.

    Attributes
    ----------
    job : Job
        As the site file has it.
    start : datetime
        UTC.
    zone, currency : str
        The site's.
    machines : DataFrame
        `plan.run.RUN_ABOUT`, with finding (one sentence) and notes (what to know of it; empty if nothing).
    stock : DataFrame
        `plan.order.OrderStock`, a row a machine; empty without a quantity.
    paying : DataFrame
        machine, change, changeover_s, paying_batch: the smallest batch for which unattended running pays.
    curve : DataFrame
        machine, batch, change, changeover_h, unattended_h, net_h.
    """

    job: Job
    start: datetime
    zone: str
    currency: str
    machines: pl.DataFrame
    stock: pl.DataFrame
    paying: pl.DataFrame
    curve: pl.DataFrame


def plan_review(
    site: Site,
    job: str,
    now: datetime,
    *,
    machine: str | None = None,
    start: datetime | None = None,
    bars: int | None = None,
    parts_left: int = 0,
    order: int | None = None,
    batches_on: Sequence[str] | None = None,
) -> PlanReview:
    """Plan a job on one machine or on all of them.

    Parameters
    ----------
    site : Site
    job : str
        Its name in the site file.
    now : datetime
        With zone; the start looked for lies after it.
    machine : str, optional
        Only this one.
    start : datetime, optional
        Start of the run; that of the next unattended window if not given, of the next shift where there is none.
    bars : int, optional
        Bars in the magazine, the one in the spindle left out; as many as it holds if not given.
    parts_left : int
        Parts left on the bar in the spindle.
    order : int, optional
        Parts still wanted; the job's order quantity if not given.
    batches_on : sequence of str, optional
        Machines for which batches are weighed; the planned ones if not given.

    Raises
    ------
    RunlogError
        The site knows no such job or machine; the message names those it knows.
    """
    known = job_named(site, job)
    names = machines_named(site, machine)
    begin = start or next_start(site, now)
    runs = run_plans(site, known, names, begin, bars=bars, parts_left=parts_left, order_left=order)
    wanted = known.order_quantity if order is None else order
    stocks = [] if wanted is None else [order_stock(site, name, known, wanted) for name in names]
    paying, curve = _batches(site, known, names if batches_on is None else batches_on, begin)
    return PlanReview(
        job=known,
        start=begin,
        zone=site.site.time_zone,
        currency=site.site.currency,
        machines=runs.with_columns(finding=_finding(site.site.time_zone), notes=_notes(known, order)),
        stock=_stock_rows([one for one in stocks if one]),
        paying=paying,
        curve=curve,
    )


def job_named(site: Site, name: str) -> Job:
    """The job of that name; RunlogError names the jobs there are."""
    if (job := site.job(name)) is not None:
        return job
    known = ", ".join(one.name for one in site.jobs) or "none in the site file"
    raise RunlogError(f"{name!r} found, one of these jobs expected: {known}")


def machines_named(site: Site, name: str | None) -> list[str]:
    """That machine, or all of the site; RunlogError names the machines there are."""
    known = [machine.name for machine in site.machines]
    if name is None and known:
        return known
    if name in known:
        return [name]
    raise RunlogError(f"--machine {name!r} found, one of these expected: {', '.join(known) or 'none in the site file'}")


def _batches(site: Site, job: Job, names: Sequence[str], at: datetime) -> tuple[pl.DataFrame, pl.DataFrame]:
    changes = changeovers(site)
    found = {name: one for name in names if (one := rhythm(site, name, job, at))}
    paying = [paying_batches(one, changes).insert_column(0, _named(name)) for name, one in found.items()]
    curve = [batch_curve(one, changes).insert_column(0, _named(name)) for name, one in found.items()]
    return _stacked(paying), _stacked(curve)


def _named(machine: str) -> pl.Expr:
    return pl.lit(machine).alias("machine")


def _stacked(frames: list[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat(frames) if frames else pl.DataFrame()


def _stock_rows(found: list[OrderStock]) -> pl.DataFrame:
    known = {"ready_cost": pl.Float64, "used_cost": pl.Float64}
    return pl.DataFrame([asdict(one) for one in found], schema_overrides=known) if found else pl.DataFrame()


# --- in words ------------------------------------------------------------------------------------


def _finding(zone: str) -> pl.Expr:
    """Which limit binds, and what the others would allow."""
    ends = local_clock("end", zone)
    parts = {name: whole(name) for name in ("by_time", "by_bars", "by_order")}
    others = {
        "time": pl.format("the time up to {} would hold {}", ends, parts["by_time"]),
        "bars": pl.format("the bars would give {}", parts["by_bars"]),
        "order": pl.format("the order wants {}", parts["by_order"]),
    }
    out = local_clock("run_out_at", zone)
    leads = {
        "time": pl.format("time binds: {} parts until {}", parts["by_time"], ends),
        "bars": pl.format("bars bind: {} parts, out of bars at {}", parts["by_bars"], out),
        "order": pl.format("the order binds: {} parts", parts["by_order"]),
    }
    said = pl.lit("no plan: a bar gives no part")
    for limit, lead in leads.items():
        rest = pl.concat_str(
            [other for name, other in others.items() if name != limit], separator="; ", ignore_nulls=True
        )
        told = pl.when(rest == "").then(lead).otherwise(pl.concat_str([lead, pl.lit("; "), rest]))
        said = pl.when(pl.col("limit") == limit).then(told).otherwise(said)
    return said


def _notes(job: Job, order: int | None) -> pl.Expr:
    """What to know of a machine's plan, a sentence each, separated by new lines."""
    more = pl.col("fitting_parts_per_bar") - pl.col("parts_per_bar")
    sentences = [
        pl.when(pl.col("too_long_mm").is_not_null()).then(
            pl.format(
                "the bar of {} mm is {} mm longer than its feeder takes: saw it (`runlog sawing`)",
                pl.lit(f"{job.bar_mm:g}"),
                pl.col("too_long_mm").round(1),
            )
        ),
        pl.when(more > 0).then(
            pl.format(
                "the countdown is preset to {} parts a bar: {} more would fit, {} mm given away with each bar",
                "parts_per_bar",
                more,
                pl.col("given_away_mm").round(1),
            )
        ),
        pl.when(pl.col("bars_basis") == "magazine").then(
            pl.lit("the magazine is taken as full: look, or say with --bars how many it holds")
        ),
        pl.when((pl.col("parts_left") == 0) & pl.col("bars").is_not_null()).then(
            pl.lit("the bar in the spindle is taken as used up: --left says how many parts it still gives")
        ),
        pl.when(pl.lit(order is None) & pl.col("order_left").is_not_null()).then(
            pl.lit("the whole order of the site file is taken as wanted: --order says how many still are")
        ),
        pl.when(pl.col("attended")).then(pl.lit("somebody is there: the magazine is refilled, bars do not bind")),
        pl.when(pl.col("end").is_null()).then(pl.lit("no shift is planned then: time does not bind")),
    ]
    return pl.concat_str(sentences, separator="\n", ignore_nulls=True)


def whole(name: str) -> pl.Expr:
    """A count of parts as shown: floored."""
    return pl.col(name).floor().cast(pl.Int64)


def local_clock(name: str, zone: str) -> pl.Expr:
    """An instant as the shop's clock shows it, with day and zone: clocks may change on the way."""
    return pl.col(name).dt.convert_time_zone(zone).dt.strftime("%a %H:%M %Z")

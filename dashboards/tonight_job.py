"""A job that is to run unattended: what it takes, how to saw its bars, and from which batch on it pays."""

from datetime import datetime

import address
import data
import drawing
import pieces
import polars as pl
import sheet
import streamlit as st
import theme
import tonight_charts
from streamlit.delta_generator import DeltaGenerator

from runlog.figures.planning import PlanReview, plan_review
from runlog.figures.sawing import sawing_review
from runlog.report import plan as told
from runlog.site import Site

ORDER_AT_MOST = 10**7


@sheet.part
def shown(here: data.Place, now: datetime, begin: datetime) -> None:
    """The job chosen in the address, on every machine; its sawing table and batch curve on one of them."""
    site = data.site(here)
    if not site.jobs or not site.machines:
        return
    pieces.section("Plan a job")
    first, second, third, _ = st.columns([4, 3, 3, 6], gap="small")
    names = [job.name for job in site.jobs]
    job = address.one_of("job", "Job", names, first, default=names[0])
    machines = [one.name for one in site.machines]
    machine = address.one_of("machine", "Machine", machines, second, default=machines[0])
    order = _order(third)
    plan = data.kept(here, planned, job, machine, now.replace(second=0, microsecond=0), begin, order)
    pieces.grid(plan.machines, told.machine_columns(plan.zone))
    mine = plan.machines.filter(pl.col("machine") == machine).row(0, named=True)
    pieces.note(f"{machine}: {mine['finding']}.")
    if plan.stock.height:
        pieces.sentences(f"Stock for {plan.stock['parts'][0]} parts", [])
        pieces.grid(plan.stock, told.stock_columns(plan.currency))
    left, right = st.columns([31, 20], gap="medium")
    with left:
        sawing(site, job, machine)
    with right:
        batches(plan.curve, plan.paying)


def planned(here: data.Place, job: str, machine: str, now: datetime, begin: datetime, order: int | None) -> PlanReview:
    """The job on every machine, and its batches on one."""
    return plan_review(data.site(here), job, now, start=begin, order=order, batches_on=[machine])


def _order(box: DeltaGenerator) -> int | None:
    asked = st.query_params.get("order", "")
    st.session_state["order"] = int(asked) if asked.isdecimal() and int(asked) <= ORDER_AT_MOST else None
    box.number_input(
        "Parts wanted",
        min_value=0,
        max_value=ORDER_AT_MOST,
        step=1,
        key="order",
        placeholder="as the site file says",
        on_change=_ordered,
    )
    return st.session_state["order"]


def _ordered() -> None:
    wanted = st.session_state["order"]
    address.to("order", None if wanted is None else str(wanted))


def sawing(site: Site, job: str, machine: str) -> None:
    """Ways to saw a bought bar, ranked, with the trade-off in words."""
    review = sawing_review(site, job, machine=machine)
    limit = "no limit" if review.longest_mm is None else f"at most {review.longest_mm:g} mm"
    head = f"A bought bar of {review.bought_mm:g} mm; a cut takes {review.kerf_mm:g} mm; {machine} loads {limit}"
    pieces.sentences(head, review.advice)
    pieces.grid(told.worth_showing(review.pieces), told.piece_columns(review.bars_held))


def batches(curve: pl.DataFrame, paying: pl.DataFrame) -> None:
    """From which batch on unattended running pays for its changeover."""
    if curve.is_empty():
        pieces.note("Short batches: no unattended shift is planned within two weeks, so there is nothing to gain.")
        return
    said = [
        f"{change}: from {batch} parts on" if batch is not None else f"{change}: never"
        for change, batch in paying.select("change", "paying_batch").rows()
    ]
    pieces.sentences("Unattended running pays for setting the feeder up", said)
    words = f"Hours gained less the changeover by batch size. {'; '.join(said)}"
    most = paying["paying_batch"].max()
    chart = drawing.made(tonight_charts.batches, curve, most, theme.look())
    drawing.shown(chart, "Short batches", "short-batches", key="batches", alt=words)

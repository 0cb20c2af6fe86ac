"""`runlog plan` and `runlog sawing`: what a job takes and how far it gets; plans of the order system."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.text import Text

from runlog import pipeline
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.errors import RunlogError
from runlog.figures.planning import plan_review, start_of
from runlog.figures.sawing import sawing_review
from runlog.orders import Taken, take_plans
from runlog.report.plan import PlanReport, SawingReport, plan_as_data, sawing_as_data
from runlog.report.writing import plain
from runlog.site import Site, load_site
from runlog.store import Store

Job = Annotated[str, typer.Argument(metavar="JOB", help="Name of the job in the site file.")]
OnMachine = Annotated[str | None, typer.Option("--machine", metavar="NAME", help="Only this machine.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print it as JSON, for other programs.")]


def plan(
    job: Annotated[str | None, typer.Argument(metavar="[JOB]", help="Name of the job in the site file.")] = None,
    machine: OnMachine = None,
    bars: Annotated[
        int | None, typer.Option("--bars", min=0, metavar="N", help="Bars in the magazine; a full one.")
    ] = None,
    left: Annotated[int, typer.Option("--left", min=0, metavar="N", help="Parts left on the bar in the spindle.")] = 0,
    start: Annotated[
        str | None,
        typer.Option("--start", metavar="T", help="22:00 or 2026-11-23T22:00, local; the next unattended shift."),
    ] = None,
    order: Annotated[
        int | None, typer.Option("--order", min=0, metavar="N", help="Parts still wanted; the job's order quantity.")
    ] = None,
    given: Annotated[
        Path | None, typer.Option("--import", metavar="FILE", help="Take in a plan of the order system, a CSV.")
    ] = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
) -> None:
    """Plan a job: parts and bars, which limit binds, when bars run out, the stock, which batches pay."""
    shop, now = load_site(site), datetime.now(UTC)
    if given is not None:
        return _show(_taken(given, job, shop, Store(store)), console())
    if job is None:
        known = ", ".join(one.name for one in shop.jobs) or "none in the site file"
        raise RunlogError(f"no job found, one of these expected: {known}; or --import FILE")
    begin = start_of(start, shop, now) if start else None
    review = plan_review(shop, job, now, machine=machine, start=begin, bars=bars, parts_left=left, order=order)
    if as_json:
        typer.echo(json.dumps(plan_as_data(review), indent=2))
    else:
        console().print(PlanReport(review))
    return None


def _taken(path: Path, job: str | None, shop: Site, store: Store) -> Taken:
    if job is not None:
        raise RunlogError(f"{job!r} and --import found, one of them expected: a plan names its jobs itself")
    taken = take_plans(path, shop, store)
    if store.exists():
        with busy("deriving facts"):
            pipeline.rederive(shop, store)
    return taken


def _show(taken: Taken, to: Console) -> None:
    shifts = taken.rows.select("machine", "shift_date", "shift").unique().height
    to.print(f"Plans of {shifts} machine shift{'' if shifts == 1 else 's'} taken in, in the place of those before.")
    if back := taken.rows["quantity"].null_count():
        to.print(f"{back} row{'' if back == 1 else 's'} without a quantity: the computed plan holds again.")
    if taken.mismatches:
        to.print("They are kept, but do not fit the site file or the shift:")
        to.print(Text("\n".join(f"  {plain(line)}" for line in taken.mismatches)), soft_wrap=True)


def sawing(
    job: Job,
    machine: Annotated[str | None, typer.Option("--machine", metavar="NAME", help="Whose feeder; the first.")] = None,
    bought: Annotated[
        float | None, typer.Option("--bought", min=1, metavar="MM", help="Length of a bought bar; the site file's.")
    ] = None,
    kerf: Annotated[
        float | None, typer.Option("--kerf", min=0, metavar="MM", help="What a cut takes; the site file's.")
    ] = None,
    longest: Annotated[
        float | None, typer.Option("--longest", min=1, metavar="MM", help="Longest piece to load; the feeder's.")
    ] = None,
    site: SiteFile = SITE_FILE,
    as_json: AsJson = False,
) -> None:
    """Compare the ways to saw a bought bar: fewer reloads, less waste, what fits."""
    review = sawing_review(load_site(site), job, machine=machine, bought_mm=bought, kerf_mm=kerf, longest_mm=longest)
    if as_json:
        typer.echo(json.dumps(sawing_as_data(review), indent=2))
    else:
        console().print(SawingReport(review))

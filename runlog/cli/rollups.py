"""`runlog shifts`, `losses`, `remnant`, `changeovers`: roll-ups of any days by any grouping."""

import json
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import polars as pl
import typer

from runlog.cli.choices import AsJson, ExportTo, First, Last, OnMachine, Week, groupings
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.export import export
from runlog.figures.cutting import idle_thresholds
from runlog.figures.groups import GROUPS, columns_of
from runlog.figures.losses import loss_rows, loss_sums, pareto
from runlog.figures.period import Period, in_period, period_of
from runlog.figures.setups import changeover_rows, compared, longest_work
from runlog.figures.shifts import shift_table
from runlog.figures.stock import STOCK_GROUPS, bar_account, bar_rows, columns, short_bars
from runlog.figures.window import Facts, one_machine
from runlog.report import rollups as show
from runlog.report.writing import plain
from runlog.site import Site, load_site
from runlog.store import Store
from runlog.told import facts_as_told

By = Annotated[
    str,
    typer.Option("--by", metavar="GROUP", help="machine, job, shift, day, week, month, cell, plant; comma between."),
]


class Rank(StrEnum):
    """What losses are ranked by."""

    TIME = "time"
    COUNT = "count"
    PARTS = "parts"


@dataclass(frozen=True)
class Asked:
    """What a roll-up is of."""

    facts: Facts
    site: Site
    period: Period


def asked(
    site: Path, store: Path, machine: str | None, week: str | None, first: datetime | None, last: datetime | None
) -> Asked:
    """Facts as people's words stand over them, of one machine if named, and the period meant."""
    shop = load_site(site)
    facts = facts_as_told(Store(store), shop)
    if machine is not None:
        facts = one_machine(facts, shop, machine)
    days = first.date() if first else None, last.date() if last else None
    return Asked(facts, shop, period_of(facts, shop, week=week, first=days[0], last=days[1]))


def shifts(
    first: First = None,
    last: Last = None,
    week: Week = None,
    by: By = "machine",
    machine: OnMachine = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Roll shifts up: plan, availability, effectiveness, quality, OEE, spindles, bar changes."""
    group = groupings(by, GROUPS)
    with busy("summing shifts"):
        what = asked(site, store, machine, week, first, last)
        rows = shift_table(what.facts, what.site, what.period, group)
        thresholds = idle_thresholds(what.facts["shift_loads"]).collect()
    if _handed_over(what, by, {"rows": rows, "thresholds": thresholds}, rows, as_json, to):
        return
    shown = console()
    named = columns_of(group)
    shown.print(show.heading(what.period), style="bold")
    shown.print(show.Grid(rows, show.shift_columns(named)))
    for note in (*show.cutting_notes(thresholds), *show.shift_notes(rows, named)):
        shown.print(note)


def losses(
    first: First = None,
    last: Last = None,
    week: Week = None,
    by: By = "plant",
    rank: Annotated[Rank, typer.Option("--rank", help="What the worst is worst by.")] = Rank.TIME,
    machine: OnMachine = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Rank losses by time, by number of stops or by parts lost against plan."""
    group = groupings(by, GROUPS)
    with busy("summing losses"):
        what = asked(site, store, machine, week, first, last)
        rows = loss_rows(what.facts, what.site, what.period)
        account, ranked = loss_sums(rows, group).collect(), pareto(rows, group, rank.value).collect()
    if _handed_over(what, by, {"account": account, "losses": ranked}, ranked, as_json, to):
        return
    shown = console()
    named = columns_of(group)
    shown.print(show.heading(what.period), style="bold")
    shown.print(show.Grid(account, show.account_columns(named)))
    shown.print(show.Grid(ranked, show.loss_columns(named)))
    shown.print("Good parts (parts made, where quality was not measured) = planned parts + slack - losses in parts.")
    shown.print("Slack is time the plan left free; lost against plan is what a loss cost beyond it.")
    shown.print(show.LEGEND, style="dim")


def remnant(
    first: First = None,
    last: Last = None,
    week: Week = None,
    by: Annotated[
        str, typer.Option("--by", metavar="GROUP", help="As of shifts, and material, diameter, lot; comma between.")
    ] = "material",
    machine: OnMachine = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Account for bars: what became parts, what went into the remnant bin, which bars were short."""
    group = groupings(by, (*GROUPS, *STOCK_GROUPS))
    with busy("summing bars"):
        what = asked(site, store, machine, week, first, last)
        bars = in_period(bar_rows(what.facts, what.site), what.period)
        account, short = bar_account(bars, group).collect(), short_bars(bars).collect()
    if _handed_over(what, by, {"account": account, "short_bars": short}, account, as_json, to):
        return
    shown = console()
    shown.print(show.heading(what.period), style="bold")
    shown.print(show.Grid(account, show.stock_columns(columns(group), what.site.site.currency)))
    for line in show.section("Short bars", short, show.short_columns(what.period.zone), "none"):
        shown.print(line)
    if unknown := account["bars_unknown"].sum():
        shown.print(f"{unknown} more bars whose end nobody knows are in none of these figures.")
    shown.print(show.LEGEND, style="dim")


def changeovers(
    first: First = None,
    last: Last = None,
    week: Week = None,
    by: By = "plant",
    machine: OnMachine = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Compare changeovers by what changed: how long, how much of it was waiting, and the feeder's planned time."""
    group = groupings(by, GROUPS)
    with busy("looking at changeovers"):
        what = asked(site, store, machine, week, first, last)
        found = in_period(changeover_rows(what.facts, what.site), what.period)
        rows, each = compared(found, group).collect(), found.sort("start").collect()
        longest = longest_work(found).collect()
    if _handed_over(what, by, {"rows": rows, "changeovers": each}, rows, as_json, to):
        return
    shown = console()
    shown.print(show.heading(what.period), style="bold")
    if not rows.height:
        shown.print("No changeover began in this time.")
        return
    shown.print(show.Grid(rows, show.changeover_columns(columns_of(group))))
    listed = f"Longest work, {longest.height} of {each.height}"
    for line in show.section(listed, longest, show.each_changeover_columns(what.period.zone), "none"):
        shown.print(line)
    shown.print(show.FEEDER_PLAN, style="dim")


def _handed_over(
    what: Asked, by: str, frames: dict[str, pl.DataFrame], table: pl.DataFrame, as_json: bool, to: Path | None
) -> bool:
    """Print as JSON, or write to a file, if that was asked for."""
    if to is not None:
        export(table.lazy(), to)
        typer.echo(f"Written to {plain(to)}", err=as_json)
    if as_json:
        data: dict[str, Any] = {"period": show.period_as_data(what.period), "by": by.split(",")}
        data |= {name: show.rows_as_data(frame, what.period.zone) for name, frame in frames.items()}
        typer.echo(json.dumps(data, indent=2))
    return as_json or to is not None

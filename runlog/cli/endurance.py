"""`runlog endurance` and `worth`: how long unattended runs last, and what they bring."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated

import typer

from runlog.cli.choices import AsJson, ExportTo, First, Last, groupings
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, handed_over
from runlog.figures.endurance import DIMENSIONS
from runlog.figures.endurance import endurance as endurance_figures
from runlog.figures.worth import unattended_worth
from runlog.report import endurance as show
from runlog.report import worth as show_worth
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told


class Unit(StrEnum):
    """What the length of a run is counted in."""

    HOURS = "hours"
    RELOADS = "reloads"


def endurance(
    first: First = None,
    last: Last = None,
    by: Annotated[
        str | None, typer.Option("--by", metavar="WHAT", help="Only by machine, job or diameter; comma between.")
    ] = None,
    unit: Annotated[Unit, typer.Option("--in", help="Length in hours or in reloads.")] = Unit.HOURS,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Tell how long unattended runs last, what ends them, and whether machines, jobs or diameters differ."""
    shop = load_site(site)
    with busy("looking at runs"):
        review = endurance_figures(
            facts_as_told(Store(store), shop),
            shop,
            unit=unit.value,
            dimensions=groupings(by, DIMENSIONS),
            first=_day(first),
            last=_day(last),
        )
    handed_over(review.groups, lambda: show.as_data(review), lambda: show.shown(review), as_json, to)


def worth(
    first: First = None,
    last: Last = None,
    hour_value: Annotated[
        float | None,
        typer.Option("--hour-value", min=0, metavar="X", help="What a machine hour is worth, in the site's currency."),
    ] = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    as_json: AsJson = False,
    to: ExportTo = None,
) -> None:
    """Tell what running unattended brings a week, and what each cause of stops takes of it."""
    shop = load_site(site)
    with busy("summing hours"):
        facts = facts_as_told(Store(store), shop)
        review = unattended_worth(facts, shop, first=_day(first), last=_day(last), hour_value=hour_value)
    handed_over(review.causes, lambda: show_worth.as_data(review), lambda: show_worth.shown(review), as_json, to)


def _day(at: datetime | None) -> date | None:
    return at.date() if at else None

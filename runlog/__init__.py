"""Read the logs of bar-fed turning centres; review what they did with nobody there.

    site = load_site(Path("site.toml"))
    store = Store(Path("store"))
    ingest([Path("logs")], site, store, base=Path("."))
    night_review(store.facts(), site).machines     # one row a machine, the one to walk to first on top

What is named here is the public API; everything else may change without notice. A name is loaded when it is asked for,
so that a command pays only for what it uses.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

from runlog.version import VERSION

if TYPE_CHECKING:
    from runlog.errors import ReadingError, RunlogError, SiteError, StoreError
    from runlog.figures.night import NightReview, night_review
    from runlog.figures.planning import PlanReview, plan_review
    from runlog.figures.sawing import SawingReview, sawing_review
    from runlog.figures.week import WeekReview, week_review
    from runlog.intake import read_file
    from runlog.pipeline import IngestReport, ingest, rederive
    from runlog.plan import plan_job
    from runlog.schema import TABLES
    from runlog.site import Site, load_site, parse_site
    from runlog.store import Store
    from runlog.told import facts_as_told

__all__ = [
    "TABLES",
    "IngestReport",
    "NightReview",
    "PlanReview",
    "ReadingError",
    "RunlogError",
    "SawingReview",
    "Site",
    "SiteError",
    "Store",
    "StoreError",
    "WeekReview",
    "__version__",
    "facts_as_told",
    "ingest",
    "load_site",
    "night_review",
    "parse_site",
    "plan_job",
    "plan_review",
    "read_file",
    "rederive",
    "sawing_review",
    "week_review",
]

__version__ = VERSION

_HOMES: Final = {
    "errors": ("ReadingError", "RunlogError", "SiteError", "StoreError"),
    "figures.night": ("NightReview", "night_review"),
    "figures.planning": ("PlanReview", "plan_review"),
    "figures.sawing": ("SawingReview", "sawing_review"),
    "figures.week": ("WeekReview", "week_review"),
    "intake": ("read_file",),
    "pipeline": ("IngestReport", "ingest", "rederive"),
    "plan": ("plan_job",),
    "schema": ("TABLES",),
    "site": ("Site", "load_site", "parse_site"),
    "store": ("Store",),
    "told": ("facts_as_told",),
}


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{home}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

"""Read the logs of bar-fed turning centres; review what they did with nobody there.

    site = load_site(Path("site.toml"))
    store = Store(Path("store"))
    ingest([Path("logs")], site, store, base=Path("."))
    night_review(store.facts(), site).machines     # one row a machine, the one to walk to first on top

What is named here is the public API; everything else may change without notice.
"""

from runlog.derive import derive
from runlog.errors import ReadingError, RunlogError, SiteError, StoreError
from runlog.export import export
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
    "derive",
    "export",
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

__version__ = "0.1.0"

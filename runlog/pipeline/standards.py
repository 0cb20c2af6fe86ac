"""Which job standards hold for which shifts.

A standard that is edited holds from the shift in which the log ends, or from the date the site file gives
(`valid_from`); shifts before keep the one that held then. The table `standards` remembers them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import polars as pl

from runlog.calendar import local_instant
from runlog.derive.anchors import shift_after, shift_before
from runlog.derive.earlier import HORIZON
from runlog.derive.onward import Held
from runlog.schema import INSTANT, STANDARDS
from runlog.site import Site, standard_of, with_standards
from runlog.store import Store


@dataclass(frozen=True)
class NewStandard:
    """A job's standard that differs from the one before, and from when it holds; None: for all shifts."""

    job: str
    valid_from: datetime | None
    zone: ZoneInfo

    def __str__(self) -> str:
        if self.valid_from is None:
            return f"{self.job}: the new standard holds for all shifts."
        since = f"{self.valid_from.astimezone(self.zone):%Y-%m-%d %H:%M}"
        return (
            f"{self.job}: the new standard holds from the shift of {since} on; `runlog derive --all`: for all shifts."
        )


def new_standards(site: Site, store: Store) -> list[NewStandard]:
    """Standards of the site file that the store does not know yet; jobs it never saw are none."""
    known = _known(store)
    latest = dict(known.group_by("job", maintain_order=True).agg(pl.col("standard").last()).iter_rows())
    changed = [job for job in site.jobs if job.name in latest and latest[job.name] != standard_of(job)]
    return [NewStandard(job.name, _from(site, job.name, store), site.zone) for job in changed]


def note_standards(site: Site, store: Store, *, everywhere: bool = False) -> list[NewStandard]:
    """Remember the standards of the site file, and tell which are new.

    Parameters
    ----------
    everywhere : bool
        They hold for all shifts, and what held before is forgotten.
    """
    now, known = datetime.now(UTC), _known(store)
    new = [] if everywhere else new_standards(site, store)
    since = {job.name: None for job in site.jobs if everywhere or job.name not in {*known["job"]}}
    since |= {one.job: one.valid_from for one in new}
    rows = [(name, at, standard_of(job), now) for name, at in since.items() if (job := site.job(name))]
    stand = known.clear() if everywhere else known.filter([_stays(since)])
    after = pl.concat([stand, pl.DataFrame(rows, schema=STANDARDS.schema, orient="row")])
    told = ["job", "valid_from", "standard"]
    if set(after.select(told).rows()) != set(known.select(told).rows()):
        store.put_all("standards", after)
    return new


def _stays(since: Mapping[str, datetime | None]) -> pl.Expr:
    """What held for shifts before a new standard's."""
    at = pl.col("job").replace_strict(since, default=None, return_dtype=INSTANT)
    return ~pl.col("job").is_in([*since]) | (
        at.is_not_null() & (pl.col("valid_from").is_null() | (pl.col("valid_from") < at))
    )


def sites(site: Site, store: Store) -> list[Held]:
    """The site file as it holds from time to time: once where no standard has ever changed."""
    known = _known(store)
    begins = known["valid_from"].unique().drop_nulls().sort().to_list()
    return [Held(None, _as_of(site, known, None)), *(Held(at, _as_of(site, known, at)) for at in begins)]


def _as_of(site: Site, known: pl.DataFrame, at: datetime | None) -> Site:
    first = pl.col("valid_from").is_null()
    then = known.filter(first if at is None else first | (pl.col("valid_from") <= at))
    return with_standards(
        site, dict(then.group_by("job", maintain_order=True).agg(pl.col("standard").last()).iter_rows())
    )


def _known(store: Store) -> pl.DataFrame:
    return store.held("standards").sort("valid_from", "job", nulls_last=False).collect()


def _from(site: Site, name: str, store: Store) -> datetime | None:
    job = site.job(name)
    if job and job.valid_from:
        return shift_after(site, local_instant(site, job.valid_from, time(0)))
    horizon = store.fact("marks").filter(pl.col("mark") == HORIZON).select(pl.col("at").max()).collect().item()
    return horizon and shift_before(site, horizon)

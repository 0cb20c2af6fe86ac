"""Where each machine may begin, so that nothing before it can have changed.

anchors(before, site, reach)   cut, begins and settled of each machine, see `onward`
begins(before, cuts)           from when events are needed for facts from a cut on
at_shifts(wanted, site)        a cut moved back to the start of a shift in no unattended window
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

import polars as pl

from runlog import calendar
from runlog.derive.before import STRETCHES, Before
from runlog.derive.earlier import FIRST, HORIZON
from runlog.derive.frames import BY
from runlog.derive.observations import is_read
from runlog.distinct import OBSERVATION
from runlog.schema import INSTANT, NO_JOB
from runlog.site import Site

REACHES: Final = (timedelta(days=2), timedelta(days=16))
"""How far before the news a machine is derived anew; what is not settled by then is derived from its beginning."""

_DAY: Final = timedelta(days=1)
_WEEKS: Final = timedelta(days=28)
_PARTS_LOOKED_AT: Final = 20
_SHIFTS_BEFORE: Final = 2
ANCHORS: Final = (BY, "begins", "cut", "cut_date", "shifts_before", "settled")


def anchors(before: Before, site: Site, reach: Mapping[str, int], *, ordered: bool) -> pl.DataFrame | None:
    """Where each machine may begin; those not among them begin at their beginning.

    Parameters
    ----------
    before : Before
    site : Site
    reach : mapping of str to int
        By machine, which of REACHES it needs; 0 where it is not named.
    ordered : bool
        Some job has an order, or had one.

    Returns
    -------
    DataFrame or None
        machine, begins, cut, cut_date, shifts_before (names of the shifts of that date before the cut), settled. None
        if everything must be derived: the log begins earlier than it did.
    """
    marks = before.facts["marks"].collect()
    firsts = marks.filter(pl.col("mark") == FIRST).select(BY, began="at")
    stands = (pl.col("mark") == HORIZON) & ~pl.col(BY).is_in(before.whole)
    horizons = marks.filter(stands).select(BY, horizon="at").join(firsts, on=BY)
    first = firsts["began"].min()
    told = pl.concat([before.news, _restated(before, site)]).group_by(BY).agg(pl.col("at").min()).collect()
    news = _news(before, horizons, told, ordered=ordered)
    if first is None or news.filter(pl.col("news") < first).height or told.filter(pl.col("at") < first).height:
        return None
    days = pl.col(BY).replace_strict({name: _reach(step) for name, step in reach.items()}, default=REACHES[0])
    later = news.filter(pl.col("news") >= pl.col("began"))
    wanted = later.with_columns(settled=pl.col("news") - _DAY, cut=pl.col("news") - days).drop_nulls("cut")
    if wanted.is_empty():
        return pl.DataFrame(schema=[BY])
    open_ = _first_of(before, wanted, "settled")
    seen = _tail(before.facts["parts"], wanted.select(BY, "settled"), "settled", _PARTS_LOOKED_AT)
    at_most = _least(wanted, {"cut": open_, "settled": seen.group_by(BY).agg(pl.col("at").min())}, "cut")
    cut = at_shifts(at_most, site)
    return cut if cut.is_empty() else begins(before, cut).select(*ANCHORS).sort(BY)


def _reach(step: int) -> timedelta | None:
    return REACHES[step] if step < len(REACHES) else None


def _news(before: Before, horizons: pl.DataFrame, told: pl.DataFrame, *, ordered: bool) -> pl.DataFrame:
    """From when on each machine's facts may change: machine, began, news.

    At the latest from its horizon, as what was open there goes on. Orders are counted over all machines, so with
    orders the first news of any machine is news for all; so is what was removed.
    """
    everywhere = [before.removed_from, told["at"].min() if ordered else None]
    alone = before.alone.group_by(BY).agg(alone=pl.col("at").min()).collect()
    both = horizons.join(told, on=BY, how="left").join(alone, on=BY, how="left")
    return both.select(
        BY, "began", news=pl.min_horizontal("horizon", "at", "alone", *(pl.lit(at, INSTANT) for at in everywhere))
    )


def _restated(before: Before, site: Site) -> pl.LazyFrame:
    """Restated observations that were not known: machine, at."""
    known = before.facts["carried"].filter(pl.col("as_of").is_null())
    names = [*(machine.name for machine in site.machines)]
    read = before.heads.filter(is_read(site, names))
    return read.join(known, on=OBSERVATION, how="anti", nulls_equal=True).select(BY, "at")


def _first_of(before: Before, wanted: pl.DataFrame, at: str) -> pl.DataFrame:
    """Start of the earliest fact that is open at an instant of each machine: machine, at."""
    instants = wanted.lazy().select(BY, _open_at=pl.col(at))
    earliest = wanted[at].min()
    found = []
    for name, (start, end) in STRETCHES.items():
        rows = before.facts[name].select(BY, at=pl.col(start), _end=pl.col(end))
        # Said of the earliest as well, so that files of long ago need not be opened.
        late = rows.filter(pl.col("_end").is_null() | (pl.col("_end") >= earliest))
        found.append(
            late.join(instants, on=BY)
            .filter(pl.col("_end").is_null() | (pl.col("_end") >= pl.col("_open_at")))
            .select(BY, "at")
        )
    return pl.concat(found).drop_nulls().group_by(BY).agg(pl.col("at").min()).collect()


def _tail(rows: pl.LazyFrame, ends: pl.DataFrame, end: str, count: int) -> pl.DataFrame:
    """The last rows of each machine before an instant: machine, at."""
    earliest = ends[end].min()
    if isinstance(earliest, datetime):
        # Most machines have them in the last weeks, whose files are few.
        near = _last_rows(rows.filter(pl.col("at") >= earliest - _WEEKS), ends, end, count)
        if near.group_by(BY).len().filter(pl.col("len") == count).height == ends.height:
            return near
    return _last_rows(rows, ends, end, count)


def _last_rows(rows: pl.LazyFrame, ends: pl.DataFrame, end: str, count: int) -> pl.DataFrame:
    return (
        rows.select(BY, "at")
        .join(ends.lazy().select(BY, _end=pl.col(end)), on=BY)
        .filter(pl.col("at") < pl.col("_end"))
        .sort(BY, "at")
        .group_by(BY, maintain_order=True)
        .agg(pl.col("at").tail(count))
        .explode("at")
        .collect()
    )


def _least(rows: pl.DataFrame, others: Mapping[str, pl.DataFrame], name: str) -> pl.DataFrame:
    """Rows with a column no later than what the others say of the machine."""
    for other in others.values():
        rows = rows.join(other.rename({"at": "_at"}), on=BY, how="left").with_columns(
            pl.min_horizontal(name, "_at").alias(name)
        )
        rows = rows.drop("_at")
    return rows


def shift_before(site: Site, at: datetime) -> datetime | None:
    """The last start of a shift, not within an unattended window, that is not after an instant."""
    return _shift_starts(site, at - 30 * _DAY, at + _DAY).filter(pl.col("shift_start") <= at)["shift_start"].max()  # pyright: ignore


def shift_after(site: Site, at: datetime) -> datetime | None:
    """The first start of a shift, not within an unattended window, that is not before an instant."""
    return _shift_starts(site, at - 9 * _DAY, at + 30 * _DAY).filter(pl.col("shift_start") >= at)["shift_start"].min()  # pyright: ignore


def at_shifts(wanted: pl.DataFrame, site: Site) -> pl.DataFrame:
    """The cut moved back to the start of a shift that no unattended window holds; without one, no row.

    Adds cut_date, shifts_before and `quiet_from`, the start of the shift two before.
    """
    earliest, latest = wanted["cut"].min(), wanted["cut"].max()
    assert isinstance(earliest, datetime)
    assert isinstance(latest, datetime)
    free = _shift_starts(site, earliest - 30 * _DAY, latest + _DAY)
    return (
        wanted.sort("cut")
        .join_asof(free, left_on="cut", right_on="shift_start", coalesce=False)
        .with_columns(cut=pl.col("shift_start"))
        .drop_nulls("cut")
        .drop("shift_start")
    )


def _shift_starts(site: Site, first: datetime, last: datetime) -> pl.DataFrame:
    """Starts of shifts in no unattended window: shift_start, cut_date, shifts_before, quiet_from."""
    shifts = calendar.shifts(site, first, last).sort("shift_start")
    earlier_ones = [pl.col("shift").shift(n).over("shift_date") for n in range(1, max(len(site.shift), 2))]
    starts = shifts.select(
        "shift_start",
        cut_date="shift_date",
        shifts_before=pl.concat_list(earlier_ones).list.drop_nulls(),
        quiet_from=pl.col("shift_start").shift(_SHIFTS_BEFORE),
    ).drop_nulls("quiet_from")
    windows = calendar.unattended(site, first, last).sort("window_start")
    near = starts.join_asof(windows, left_on="shift_start", right_on="window_start", coalesce=False)
    inside = (pl.col("window_start") < pl.col("shift_start")) & (pl.col("shift_start") < pl.col("window_end"))
    return near.filter(~inside.fill_null(False)).drop("window_start", "window_end")


def begins(before: Before, cuts: pl.DataFrame) -> pl.DataFrame:
    """Add from when each machine's events are needed: the latest instant of which is known what was carried.

    Null where all its events are.
    """
    facts = before.facts
    job_parts = facts["parts"].filter((pl.col("job") != NO_JOB) & pl.col("good").fill_null(True))
    crossing = _crossing(before, cuts)
    bars = _tail(facts["bars"].select(BY, at="loaded_at"), cuts, "cut", 1)
    just_after = bars.with_columns(pl.col("at") + timedelta(seconds=1))
    reloads = _tail(facts["reloads"].select(BY, at="start"), just_after, "at", 1)
    parts = [_tail(frame, cuts, "cut", 1) for frame in (facts["parts"], job_parts)]
    a_day_before = {
        str(n): frame.with_columns(pl.col("at") - _DAY) for n, frame in enumerate([crossing, reloads, *parts])
    }
    needed = _least(
        cuts.with_columns(needed=pl.min_horizontal(pl.col("cut") - 2 * _DAY, "quiet_from")),
        a_day_before,
        "needed",
    )
    instants = facts["carried"].select(BY, "as_of").drop_nulls().unique().sort("as_of").collect()
    return (
        needed.sort("needed")
        .join_asof(instants, left_on="needed", right_on="as_of", by=BY, check_sortedness=False)
        .with_columns(begins="as_of")
    )


def _crossing(before: Before, cuts: pl.DataFrame) -> pl.DataFrame:
    """Start of the earliest fact that a cut falls into: machine, at."""
    found = []
    for name, (start, end) in STRETCHES.items():
        rows = before.facts[name].select(BY, at=pl.col(start), _end=pl.col(end))
        rows = rows.filter(pl.col("_end").is_null() | (pl.col("_end") > cuts["cut"].min()))
        found.append(
            rows.join(cuts.lazy().select(BY, "cut"), on=BY)
            .filter((pl.col("at") < pl.col("cut")) & (pl.col("_end").is_null() | (pl.col("_end") > pl.col("cut"))))
            .select(BY, "at")
        )
    return pl.concat(found).group_by(BY).agg(pl.col("at").min()).collect()

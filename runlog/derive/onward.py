"""Derive what is new: from an anchor on, so that one more night costs the same on a year as on a week.

    derive_onward(before, ...)       what takes the place of which facts; it puts together
    anchors(before, site, reach)     where each machine may begin, and from when facts are made anew
    earlier(before, found, site)     what derivation is told of the time before
    doubtful(made, ...)              machines of which what stands and what was made anew disagree
    replacement(made, before, found) facts from the cuts on

Three instants of a machine, in their order:

    begins   its events are read from here on, after what was carried: two days before the cut at least, and early
             enough to hold the bar, the part and whatever else the cut falls into
    cut      facts from here on are made anew, those before stand; the start of a shift, in no unattended window
    settled  a day before the first event that is new

Between cut and settled nothing should have changed, and that is looked at: facts made anew there must equal those
that stand. Where they do not, news reached further back (a changeover does, up to the last part of the old job), and
the machine is derived from further back, in the end from its beginning.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import polars as pl

from runlog import calendar
from runlog.derive import derive_on
from runlog.derive.carried import ITEM
from runlog.derive.earlier import FIRST, HORIZON, MADE, Earlier
from runlog.derive.frames import BY, held
from runlog.derive.hung import PARTS_BACK
from runlog.derive.observations import is_read
from runlog.distinct import OBSERVATION
from runlog.schema import ALARMS, BROUGHT_OUTCOMES, DERIVED_TABLES, EVENTS, INSTANT, MARKS, NO_JOB, STARTS
from runlog.site import Site

REACHES: Final = (timedelta(days=2), timedelta(days=16))
"""How far before the news a machine is derived anew; what is not settled by then is derived from its beginning."""

_DAY: Final = timedelta(days=1)
_WEEKS: Final = timedelta(days=28)
_PARTS_LOOKED_AT: Final = 20
_SHIFTS_BEFORE: Final = 2
_STRETCHES: Final = {
    "spans": ("start", "end"),
    "stops": ("start", "end"),
    "reloads": ("start", "end"),
    "changeovers": ("start", "end"),
    "unattended_runs": ("window_start", "planned_end"),
    "bars": ("loaded_at", "finished_at"),
}
_COMPARED: Final = {
    "spans": "end",
    "parts": "at",
    "reloads": "end",
    "bars": "finished_at",
    "stops": "end",
    "changeovers": "end",
    "unattended_runs": "planned_end",
    "shift_figures": "shift_end",
    "shift_plans": "shift_end",
}
_ANCHORS: Final = (BY, "begins", "cut", "cut_date", "shifts_before", "settled")


@dataclass(frozen=True)
class Before:
    """What stands, and since when there is news.

    Attributes
    ----------
    facts : mapping of str to LazyFrame
        By name, DERIVED_TABLES of one generation.
    news : LazyFrame
        machine, at: the oldest event of each machine that was added since.
    heads : LazyFrame
        EVENTS restated since, of which most only repeat what was known.
    removed_from : datetime or None
        The earliest event that has given way since, on whatever machine.
    """

    facts: Mapping[str, pl.LazyFrame]
    news: pl.LazyFrame
    heads: pl.LazyFrame
    removed_from: datetime | None


EventsFrom = Callable[[pl.DataFrame], pl.LazyFrame]
"""Given anchors (machine, begins, ...): EVENTS of their machines from there on, of all others all there are."""


@dataclass(frozen=True)
class Held:
    """A site file, and from which instant it held: the start of a shift in no unattended window; None: since ever."""

    since: datetime | None
    site: Site


def derive_all(events: pl.LazyFrame, held_sites: Sequence[Held], plans: pl.LazyFrame) -> dict[str, pl.LazyFrame]:
    """Derive everything from all events, each shift by the site file that held.

    Parameters
    ----------
    events : LazyFrame
        EVENTS, distinct.
    held_sites : sequence of Held
        In the order of time, the first since ever.
    plans : LazyFrame
        PLANS of the order system.

    Returns
    -------
    dict of str to LazyFrame
        One frame a table of DERIVED_TABLES.
    """
    made = derive_on(events, held_sites[0].site, plans)
    return _with_later_sites(made, None, held_sites[1:], plans, lambda found: _since(events, found))


def _since(events: pl.LazyFrame, found: pl.DataFrame) -> pl.LazyFrame:
    begins = events.join(found.lazy().select(BY, "begins"), on=BY, how="left", maintain_order="left")
    return begins.filter(pl.col("begins").is_null() | (pl.col("at") >= pl.col("begins"))).drop("begins")


def derive_onward(
    before: Before, held_sites: Sequence[Held], plans: pl.LazyFrame, events_from: EventsFrom
) -> tuple[dict[str, pl.LazyFrame], pl.DataFrame] | None:
    """Facts as they are with what is new, from where it can have changed them.

    Parameters
    ----------
    before : Before
    held_sites : sequence of Held
        The same the standing facts were made for.
    plans : LazyFrame
        PLANS of the order system; the same, too.
    events_from : callable
        Given anchors: EVENTS, distinct; of their machines from `begins` on, of all others all there are.

    Returns
    -------
    (dict of str to LazyFrame, DataFrame) or None
        By name what takes the place of all facts from the anchors' cuts on, and of all of machines without anchor; the
        anchors. None if all must be derived from all events.
    """
    reach: Counter[str] = Counter()
    site = held_sites[-1].site
    # Orders are counted over all machines, so these go back together.
    ordered = _has_orders(site)
    known = set(before.facts["marks"].filter(pl.col("mark") == HORIZON).collect()[BY])
    while True:
        found = anchors(before, site, reach)
        if found is None or found.is_empty() or ((ordered or len(held_sites) > 1) and set(found[BY]) != known):
            return None
        first = found["cut"].min()
        assert isinstance(first, datetime)
        held_then = [one for one in held_sites if one.since is None or one.since <= first][-1]
        later = [one for one in held_sites if one.since is not None and one.since > first]
        whole = _made(before, found, held_then.site, plans, events_from)
        made = _with_later_sites(replacement(whole, before, found), (before, found), later, plans, events_from)
        again = doubtful(made, whole, before, found, site)
        if not again:
            return made, found
        reach.update(found[BY] if ordered else again)


def _made(
    before: Before, found: pl.DataFrame, site: Site, plans: pl.LazyFrame, events_from: EventsFrom
) -> dict[str, pl.LazyFrame]:
    """What derivation makes of what was carried to where each machine begins and of the events from there."""
    begins = found.lazy().select(BY, as_of="begins").drop_nulls()
    carried = before.facts["carried"].join(begins, on=[BY, "as_of"], how="semi")
    events = held(pl.concat([EVENTS.conform(carried), EVENTS.conform(events_from(found))]))
    return derive_on(events, site, plans, earlier(before, found, site))


def _with_later_sites(
    made: dict[str, pl.LazyFrame],
    stands: tuple[Before, pl.DataFrame] | None,
    later: Sequence[Held],
    plans: pl.LazyFrame,
    events_from: EventsFrom,
) -> dict[str, pl.LazyFrame]:
    """What was made, from each later site file's shift on made anew by it."""
    for one in later:
        facts = spliced(stands[0].facts, made, stands[1]) if stands else made
        then = Before(facts, pl.LazyFrame(), pl.LazyFrame(), None)
        horizons = facts["marks"].filter(pl.col("mark") == HORIZON).collect()
        if one.since is None or horizons.filter(pl.col("at") > one.since).is_empty():
            continue
        since = pl.lit(one.since, INSTANT)
        wanted = _at_shifts(horizons.select(BY, cut=since, settled=since), one.site)
        cuts = _begins(then, wanted).select(_ANCHORS).sort(BY)
        new = replacement(_made(then, cuts, one.site, plans, events_from), then, cuts)
        made = spliced(facts, new, cuts)
        if stands:
            made = replacement(made, stands[0], stands[1])
    return made


def anchors(before: Before, site: Site, reach: Mapping[str, int]) -> pl.DataFrame | None:
    """Where each machine may begin; those not among them begin at their beginning.

    Parameters
    ----------
    before : Before
    site : Site
    reach : mapping of str to int
        By machine, which of REACHES it needs; 0 where it is not named.

    Returns
    -------
    DataFrame or None
        machine, begins, cut, cut_date, shifts_before (names of the shifts of that date before the cut), settled. None
        if everything must be derived: the log begins earlier than it did.
    """
    marks = before.facts["marks"].collect()
    firsts = marks.filter(pl.col("mark") == FIRST).select(BY, began="at")
    horizons = marks.filter(pl.col("mark") == HORIZON).select(BY, horizon="at").join(firsts, on=BY)
    first = firsts["began"].min()
    told = pl.concat([before.news, _restated(before, site)]).group_by(BY).agg(pl.col("at").min()).collect()
    news = _news(before, site, horizons, told)
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
    cut = _at_shifts(at_most, site)
    return cut if cut.is_empty() else _begins(before, cut).select(*_ANCHORS).sort(BY)


def _reach(step: int) -> timedelta | None:
    return REACHES[step] if step < len(REACHES) else None


def _news(before: Before, site: Site, horizons: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """From when on each machine's facts may change: machine, began, news.

    At the latest from its horizon, as what was open there goes on. Orders are counted over all machines, so with
    orders the first news of any machine is news for all; so is what was removed.
    """
    everywhere = [before.removed_from, told["at"].min() if _has_orders(site) else None]
    both = horizons.join(told, on=BY, how="left")
    return both.select(
        BY, "began", news=pl.min_horizontal("horizon", "at", *(pl.lit(at, INSTANT) for at in everywhere))
    )


def _has_orders(site: Site) -> bool:
    return any(job.order_quantity for job in site.jobs)


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
    for name, (start, end) in _STRETCHES.items():
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


def _at_shifts(wanted: pl.DataFrame, site: Site) -> pl.DataFrame:
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


def _begins(before: Before, cuts: pl.DataFrame) -> pl.DataFrame:
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
    for name, (start, end) in _STRETCHES.items():
        rows = before.facts[name].select(BY, at=pl.col(start), _end=pl.col(end))
        rows = rows.filter(pl.col("_end").is_null() | (pl.col("_end") > cuts["cut"].min()))
        found.append(
            rows.join(cuts.lazy().select(BY, "cut"), on=BY)
            .filter((pl.col("at") < pl.col("cut")) & (pl.col("_end").is_null() | (pl.col("_end") > pl.col("cut"))))
            .select(BY, "at")
        )
    return pl.concat(found).group_by(BY).agg(pl.col("at").min()).collect()


def earlier(before: Before, found: pl.DataFrame, site: Site) -> Earlier:
    """What derivation is told of the time before the cuts."""
    facts, cuts = before.facts, found.lazy().select(BY, "cut")
    stands = pl.col("at") < pl.col("cut")
    marks = facts["marks"].filter(~pl.col("mark").is_in([FIRST, HORIZON])).join(cuts, on=BY).filter(stands)
    return Earlier(
        first=facts["marks"].filter(pl.col("mark") == FIRST).select(pl.col("at").min()).collect().item(),
        begins=found.lazy().select(BY, "begins").drop_nulls(),
        cuts=cuts,
        cycles=_cycles(facts["cycles"], found),
        loads=_loads(before, found),
        made=_ordered(facts["parts"], cuts, site),
        marks=marks.select(*MARKS.columns).collect().lazy(),
    )


def _loads(before: Before, cuts: pl.DataFrame) -> pl.LazyFrame:
    """Reloads before the cuts that brought a bar, since the magazine was last noted as filled (`earlier.LOADS`)."""
    ours = cuts.lazy().select(BY, "cut")
    noted = before.facts["carried"].filter((pl.col("item") == "BARS_LOADED") & pl.col("number").is_not_null())
    ever = noted.filter(pl.col("as_of").is_null()).select(BY).unique()
    filled = (
        noted.select(BY, "as_of", filled_at="at")
        .join(ours, on=BY)
        .filter(pl.col("as_of") <= pl.col("cut"))
        .group_by(BY)
        .agg(pl.col("filled_at").max())
    )
    return (
        before.facts["reloads"]
        .filter(pl.col("outcome").is_in(BROUGHT_OUTCOMES))
        .join(ours, on=BY)
        .join(ever, on=BY, how="semi")
        .join(filled, on=BY, how="left")
        .filter(pl.col("start") < pl.col("cut"))
        .filter(pl.col("filled_at").is_null() | (pl.col("end") > pl.col("filled_at")))
        .select(BY, "start", "end")
        .collect()
        .lazy()
    )


def _cycles(cycles: pl.LazyFrame, found: pl.DataFrame) -> pl.LazyFrame:
    """Cycles from the beginning to the cut, and the last ones of each program before."""
    rows = cycles.join(found.lazy().select(BY, "begins", "cut"), on=BY).filter(pl.col("at") < pl.col("cut"))
    rows = rows.sort(BY, "at", maintain_order=True).collect().lazy()
    old = (
        rows.filter((pl.col("at") < pl.col("begins")).fill_null(False))
        .group_by(BY, "program", maintain_order=True)
        .tail(PARTS_BACK)
    )
    both = pl.concat(
        [old.select(rows.collect_schema().names()), rows.filter((pl.col("at") >= pl.col("begins")).fill_null(True))]
    )
    return both.drop("begins", "cut").collect().lazy()


def _ordered(parts: pl.LazyFrame, cuts: pl.LazyFrame, site: Site) -> pl.LazyFrame:
    """Good parts of orders before the cuts: those before all cuts in one row a job."""
    if not _has_orders(site):
        return pl.LazyFrame(schema=MADE)
    jobs = [job.name for job in site.jobs if job.order_quantity]
    counted = (
        parts.filter(pl.col("job").is_in(jobs) & pl.col("good").fill_null(True) & ~pl.col("setting"))
        .select(BY, "job", "at")
        .join(cuts, on=BY)
        .filter(pl.col("at") < pl.col("cut"))
        .join(cuts.select(first_cut=pl.col("cut").min()), how="cross")
    )
    old = pl.col("at") < pl.col("first_cut")
    many = counted.filter(old).group_by("job").agg(pl.col("at").max(), made=pl.len().cast(pl.Int64))
    each = counted.filter(~old).select("job", "at", made=pl.lit(1, pl.Int64))
    return pl.concat([many, each]).collect().lazy()


def doubtful(
    made: Mapping[str, pl.LazyFrame],
    whole: Mapping[str, pl.LazyFrame],
    before: Before,
    found: pl.DataFrame,
    site: Site,
) -> set[str]:
    """Machines of which what was made anew differs from what stands where nothing should have changed.

    Of `made`, that is what begins at the cut or after it; of `whole`, what derivation gave for the time before as well,
    what the cut falls into.
    """
    frames = []
    for name, end in _COMPARED.items():
        late, across = pl.col(STARTS[name]) >= pl.col("cut"), pl.col(STARTS[name]) < pl.col("cut")
        # Said of the earliest as well, so that files of long ago need not be opened.
        stand = before.facts[name].filter(pl.col(end) >= found["cut"].min())
        frames.append(_differing(made[name], stand, found, late & (pl.col(end) <= pl.col("settled"))))
        if name in _STRETCHES:
            until = pl.col(end).is_between("cut", "settled", closed="right")
            frames.append(_differing(whole[name], stand, found, across & until))
    told = pl.concat([*frames, _told_otherwise(made, before, found, is_read(site, found[BY]))])
    return set(told.unique().collect()[BY])


def _differing(made: pl.LazyFrame, stand: pl.LazyFrame, found: pl.DataFrame, where: pl.Expr) -> pl.LazyFrame:
    columns = made.collect_schema().names()
    ours = found.lazy().select(BY, "cut", "settled")
    one, other = (rows.join(ours, on=BY).filter(where) for rows in (made, stand))
    return pl.concat(
        [
            one.join(other, on=columns, how="anti", nulls_equal=True).select(BY),
            other.join(one, on=columns, how="anti", nulls_equal=True).select(BY),
        ]
    )


def _told_otherwise(
    made: Mapping[str, pl.LazyFrame], before: Before, found: pl.DataFrame, reads: pl.Expr
) -> pl.LazyFrame:
    """Machines whose log tells an item, or a mark, that it did not tell before, or the other way round."""
    ours = found.lazy().select(BY)

    def items(facts: Mapping[str, pl.LazyFrame]) -> pl.LazyFrame:
        last = facts["carried"].filter(pl.col("as_of").is_null() & reads)
        return last.select(*ITEM).unique().join(ours, on=BY, how="semi")

    def marks(rows: pl.LazyFrame) -> pl.LazyFrame:
        kept = rows.filter(~pl.col("mark").is_in([FIRST, HORIZON])).select(BY, "mark").unique()
        return kept.join(ours, on=BY, how="semi")

    whole = with_earlier_marks(made["marks"], before, found)
    pairs = [(items(made), items(before.facts)), (marks(whole), marks(before.facts["marks"]))]
    return pl.concat(
        one.join(other, on=one.collect_schema().names(), how="anti", nulls_equal=True).select(BY)
        for left, right in pairs
        for one, other in ((left, right), (right, left))
    )


def replacement(made: Mapping[str, pl.LazyFrame], before: Before, found: pl.DataFrame) -> dict[str, pl.LazyFrame]:
    """What takes the place of all that stands from each machine's cut on, by name of the table."""
    facts = {name: _from_cut(frame, name, found) for name, frame in made.items()}
    facts["alarms"] = pl.concat([facts["alarms"], _alarms_across(made["alarms"], before.facts["alarms"], found)])
    facts["marks"] = with_earlier_marks(made["marks"], before, found)
    return {name: DERIVED_TABLES[name].conform(frame) for name, frame in facts.items()}


def spliced(
    stand: Mapping[str, pl.LazyFrame], new: Mapping[str, pl.LazyFrame], found: pl.DataFrame
) -> dict[str, pl.LazyFrame]:
    """Facts that stand before the cuts, and new ones in the place of the others."""
    out = {}
    for name, frame in stand.items():
        kept = _by_cut(frame, name, found, late=False)
        if name == "alarms":
            kept = kept.join(found.lazy().select(BY, "cut"), on=BY).filter(pl.col("end") < pl.col("cut"))
        rows = [new[name]] if name == "marks" else [DERIVED_TABLES[name].conform(kept), new[name]]
        out[name] = held(pl.concat(rows))
    return out


def _from_cut(rows: pl.LazyFrame, name: str, found: pl.DataFrame) -> pl.LazyFrame:
    return rows if name == "marks" else _by_cut(rows, name, found, late=True)


def _by_cut(rows: pl.LazyFrame, name: str, found: pl.DataFrame, *, late: bool) -> pl.LazyFrame:
    """Rows at or after the cut, or those before; all of a machine without one are after."""
    marked = rows.join(found.lazy().select(BY, "cut", "cut_date", "shifts_before"), on=BY, how="left")
    if name in STARTS:
        # What is carried after everything has no instant, and is always made anew.
        is_late = pl.col(STARTS[name]) >= pl.col("cut")
    else:
        same = (pl.col("shift_date") == pl.col("cut_date")) & ~pl.col("shifts_before").list.contains(pl.col("shift"))
        is_late = (pl.col("shift_date") > pl.col("cut_date")) | same
    return marked.filter(is_late.fill_null(True) == late).drop("cut", "cut_date", "shifts_before")


def _alarms_across(made: pl.LazyFrame, stand: pl.LazyFrame, found: pl.DataFrame) -> pl.LazyFrame:
    """Alarms that came up before a cut and were on at it: made anew, with the stop they were found to belong to."""
    cuts = found.lazy().select(BY, "cut")
    on = (pl.col("start") < pl.col("cut")) & (pl.col("end").is_null() | (pl.col("end") >= pl.col("cut")))
    key = [BY, "start", "component", "type", "code"]
    before = stand.join(cuts, on=BY).filter(on).select(*key, was_of="stop", was_first="first_out")
    since = pl.col("stop") >= pl.col("cut")
    return ALARMS.conform(
        made.join(cuts, on=BY)
        .filter(on)
        .join(before.unique(key, keep="first"), on=key, how="left", nulls_equal=True)
        .with_columns(
            stop=pl.when(since).then("stop").otherwise("was_of"),
            first_out=pl.when(since).then("first_out").otherwise(pl.col("was_first").fill_null(False)),
        )
    )


def with_earlier_marks(made: pl.LazyFrame, before: Before, found: pl.DataFrame) -> pl.LazyFrame:
    """MARKS of all machines: those that stand before each cut, and those made from there on."""
    cuts = found.lazy().select(BY, "cut")
    own = pl.col("mark") == FIRST
    later = made.join(cuts, on=BY, how="left").filter(
        pl.col("cut").is_null() | ((pl.col("at") >= pl.col("cut")) & ~own) | (pl.col("mark") == HORIZON)
    )
    stands = ((pl.col("at") < pl.col("cut")) | own) & (pl.col("mark") != HORIZON)
    stand = before.facts["marks"].join(cuts, on=BY).filter(stands)
    both = pl.concat([stand.select(*MARKS.columns), later.select(*MARKS.columns)])
    return both.group_by(BY, "mark").agg(pl.col("at").min()).select(*MARKS.columns).sort(BY, "mark")

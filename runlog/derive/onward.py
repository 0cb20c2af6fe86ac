"""Derive what is new: from an anchor on, so that one more night costs the same on a year as on a week.

    derive_all(events, ...)     everything, each shift by the site file that held
    derive_onward(before, ...)  what takes the place of which facts; it puts together

    anchors     where each machine may begin, and from when facts are made anew
    before      what stands, and what of it derivation is told
    doubt       machines of which what stands and what was made anew disagree
    splice      new facts in the place of those from the cuts on

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
from datetime import datetime

import polars as pl

from runlog.derive import derive_on
from runlog.derive.anchors import ANCHORS, anchors, at_shifts, begins
from runlog.derive.before import Before, counted_for_orders, earlier, has_orders
from runlog.derive.doubt import doubtful
from runlog.derive.earlier import FIRST, HORIZON
from runlog.derive.frames import BY, held
from runlog.derive.splice import replacement, spliced
from runlog.schema import EVENTS, INSTANT
from runlog.site import Site

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
    return _with_later_sites(made, made, None, held_sites[1:], plans, lambda found: _since(events, found))[0]


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
        What differs from those the standing facts were made for is told by `before`.
    plans : LazyFrame
        PLANS of the order system; `before` tells what of these differs, too.
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
    ordered = any(has_orders(one.site) for one in held_sites)
    begun = _begun(before)
    while True:
        found = anchors(before, site, reach, ordered=ordered)
        if found is None or found.is_empty():
            return None
        from_beginning = begun.filter(~pl.col(BY).is_in(found[BY].implode()))
        if ordered and not before.whole.issuperset(from_beginning.filter("known")[BY]):
            return None
        # A machine's shifts begin with the first event of all, and late events of its own may come before its first.
        starts = found["cut"] if from_beginning.is_empty() else pl.concat([found["cut"], begun["at"]])
        first = starts.min()
        assert isinstance(first, datetime)
        held_then = [one for one in held_sites if one.since is None or one.since <= first][-1]
        later = [one for one in held_sites if one.since is not None and one.since > first]
        raw = _made(before, found, held_then.site, plans, events_from)
        made, raw = _with_later_sites(replacement(raw, before, found), raw, (before, found), later, plans, events_from)
        if before.whole and any(_counts_otherwise(made, before, one.site) for one in held_sites):
            return None
        again = doubtful(made, raw, before, found, site)
        if not again:
            return made, found
        reach.update(found[BY] if ordered else again)


def _begun(before: Before) -> pl.DataFrame:
    """When each machine's log begins: machine, at, known (facts of it stand)."""
    stand = before.facts["marks"].filter(pl.col("mark") == FIRST).select(BY, "at", known=pl.lit(True))
    told = before.news.select(BY, "at", known=pl.lit(False)).join(stand, on=BY, how="anti")
    return pl.concat([stand, told]).collect()


def _counts_otherwise(made: Mapping[str, pl.LazyFrame], before: Before, site: Site) -> bool:
    """Whether machines that are derived from their beginning made other parts of orders than was thought."""
    ours = pl.col(BY).is_in(before.whole)
    one, other = (
        counted_for_orders(facts["parts"].filter(ours), site).sort(BY, "at", "job").collect()
        for facts in (made, before.facts)
    )
    return not one.equals(other)


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
    raw: dict[str, pl.LazyFrame],
    stands: tuple[Before, pl.DataFrame] | None,
    later: Sequence[Held],
    plans: pl.LazyFrame,
    events_from: EventsFrom,
) -> tuple[dict[str, pl.LazyFrame], dict[str, pl.LazyFrame]]:
    """What was made, from each later site file's shift on made anew by it.

    A machine that begins later than that is derived from where it begins; what derivation gave of it (`raw`) by the
    last such site file comes beside.
    """
    for one in later:
        facts = spliced(stands[0].facts, made, stands[1]) if stands else made
        then = Before(facts, pl.LazyFrame(), pl.LazyFrame(), None)
        horizons = facts["marks"].filter(pl.col("mark") == HORIZON).collect()
        if one.since is None or horizons.filter(pl.col("at") > one.since).is_empty():
            continue
        since = pl.lit(one.since, INSTANT)
        wanted = at_shifts(horizons.select(BY, cut=since, settled=since), one.site)
        cuts = begins(then, wanted).select(ANCHORS).sort(BY)
        coming = stands[1].filter(pl.col("cut") > since) if stands else cuts.clear()
        cuts = pl.concat([cuts.join(coming, on=BY, how="anti"), coming]).sort(BY)
        anew = _made(then, cuts, one.site, plans, events_from)
        made = spliced(facts, replacement(anew, then, cuts), cuts)
        if stands:
            raw = _of_these(raw, anew, coming[BY])
            made = replacement(made, stands[0], stands[1])
    return made, raw


def _of_these(
    others: Mapping[str, pl.LazyFrame], these: Mapping[str, pl.LazyFrame], machines: pl.Series
) -> dict[str, pl.LazyFrame]:
    """Facts of some machines from one derivation, of the others from another."""
    is_of_these = pl.col(BY).is_in(machines.implode())
    return {
        name: pl.concat([frame.filter(~is_of_these), these[name].filter(is_of_these)]) for name, frame in others.items()
    }

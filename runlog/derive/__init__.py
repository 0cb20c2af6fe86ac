"""Events into facts: pure, LazyFrame in, LazyFrame out.

    observations  in order, with what changed          states, evidence, cycle starts
    parts         counted, placed                      alarms   activations with causes
    changeovers   from job to job                      reloads  with outcomes
    pieces        each machine's time, cut and named   stops    with first-out causes
    runs, bars    what the unattended hours held       shift figures, losses, plans

Each step is a function of the ones before, in this order; `derive` runs them and holds what several steps
read. docs/rules.md says exactly what they mean.
"""

import polars as pl

from runlog.derive import (
    alarms,
    bars,
    changeovers,
    hung,
    loads,
    parts,
    reload_evidence,
    reloads,
    runs,
    shift_figures,
    spans,
    spindles,
    stops,
)
from runlog.derive import observations as obs
from runlog.derive.carried import by_day
from runlog.derive.context import Context, context
from runlog.derive.earlier import FIRST, HORIZON, NOTHING, QUALITY, Earlier, marked
from runlog.derive.frames import BY, held, held_all, inside, merged, tiles
from runlog.derive.frames import edges as edges_of
from runlog.schema import DERIVED_TABLES, FACT_TABLES, PLANS
from runlog.site import Site

__all__ = ["derive", "derive_on"]


def derive(events: pl.LazyFrame, site: Site, plans: pl.LazyFrame | None = None) -> dict[str, pl.LazyFrame]:
    """Derive every fact from the distinct events of some machines.

    Parameters
    ----------
    events : LazyFrame
        EVENTS, each observation once.
    site : Site
        Machines, jobs, shifts, causes. Machines of the site without events get shift rows without signal;
        machines the site does not know are derived with default limits.
    plans : LazyFrame, optional
        PLANS of the order system; none if not given.

    Returns
    -------
    dict of str to LazyFrame
        One frame a fact table, by its name; empty ones without events.
    """
    made = _derived(held(events), site, plans, NOTHING)
    return {table.name: made[table.name] for table in FACT_TABLES}


def derive_on(
    events: pl.LazyFrame, site: Site, plans: pl.LazyFrame, earlier: Earlier = NOTHING
) -> dict[str, pl.LazyFrame]:
    """Derive facts, and beside them what lets the next derivation begin later (see `runlog.derive.onward`).

    Parameters
    ----------
    events, site, plans
        As in `derive`; of machines that lived before: what was carried, and events from `earlier.begins` on.
    earlier : Earlier
        What is known of the time before.

    Returns
    -------
    dict of str to LazyFrame
        One frame a table of DERIVED_TABLES. Facts of a machine before its cut are not to be used.
    """
    made = _derived(events, site, plans, earlier)
    names = [*(machine.name for machine in site.machines), *events.select(pl.col(BY).unique()).collect()[BY]]
    since = events.join(earlier.begins, on=BY, how="left", maintain_order="left")
    is_carried = (pl.col("at") < pl.col("begins")).fill_null(False)
    before, body = (since.filter(rows).drop("begins") for rows in (is_carried, ~is_carried))
    carried = by_day(before, body, obs.is_read(site, names), dict(earlier.begins.collect().iter_rows()))
    return made | {"carried": held(carried)}


def _derived(events: pl.LazyFrame, site: Site, plans: pl.LazyFrame | None, earlier: Earlier) -> dict[str, pl.LazyFrame]:
    lives = held(obs.life(events, earlier.begins))
    span = lives.select(pl.col("first").min(), pl.col("horizon").max()).collect().row(0)
    if span[0] is None:
        return {table.name: table.empty() for table in DERIVED_TABLES.values()}
    named = [machine.name for machine in site.machines]
    known = lives.select(BY).collect()[BY].to_list()
    machines = [*named, *(name for name in known if name not in named)]
    first, last = span
    first = min(first, earlier.first or first)
    ctx = context(site, machines, first, last, PLANS.empty() if plans is None else plans, earlier)
    keyed = pl.col(BY).cast(ctx.key)
    log = obs.read(events.with_columns(keyed), held(lives.with_columns(keyed)), ctx)
    return _facts(log, ctx)


def _facts(log: obs.Log, ctx: Context) -> dict[str, pl.LazyFrame]:
    running, lost, alarm, present, fillings = held_all(
        parts.running(log),
        parts.unavailable(log),
        alarms.alarms(log.observed, ctx),
        _present(log, ctx),
        runs.fillings(log.observed),
    )
    counted = held(parts.counts(log, ctx))
    made = held(parts.with_quality(parts.placed(counted, running, lost), log.observed))
    changed = held(changeovers.changeovers(made, log, ctx))
    setting = held(changeovers.setting_of(changed))
    made = held(changeovers.mark_setting(made, setting))
    reloaded = held(reloads.reloads(log, counted, alarm, setting, ctx))
    cycles = held(hung.cycles(made, running, reloaded))
    standard = held(hung.standard_cycles(cycles, ctx))
    cut = held(spans.pieces(log, reloaded, counted, setting, present, standard, ctx))
    stopped = held(stops.stops(log, cut, alarm, reloaded, made, standard, ctx))

    stock = runs.Stock(fillings, reloaded, held(bars.brought(reloaded, log.starts)))
    unattended = held(runs.unattended_runs(log, cut, stopped, made, stock, ctx))
    shifted = held(shift_figures.cut_to_shifts(cut, stopped, reloaded, log.lives, ctx))
    turns = spindles.turning(log, ctx)
    idle = cut.filter(pl.col("kind").is_in(["stopped", "reloading"]))
    facts = {
        "spans": spans.spans(cut, stopped),
        "parts": parts.finish(made, merged(idle)),
        "reloads": reloads.finish(reloaded, present, unattended),
        "bars": bars.bars(log, reloaded, made, ctx),
        "stops": stops.finish(stopped, unattended),
        "alarms": stops.finish_alarms(alarm, stopped),
        "unattended_runs": unattended,
        "changeovers": changed,
        "shift_figures": shift_figures.shift_figures(shifted, made, reloaded, stopped, turns, ctx),
        "shift_losses": shift_figures.shift_losses(shifted, stopped, ctx),
        "shift_loads": loads.shift_loads(shifted, log, turns, ctx),
        "shift_plans": shift_figures.shift_plans(cut, stock, made, ctx),
        "cycles": cycles,
        "marks": _marks(log, made, ctx),
    }
    whole = held_all(*(DERIVED_TABLES[name].conform(frame) for name, frame in facts.items()))
    return dict(zip(facts, whole, strict=True))


def _marks(log: obs.Log, made: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """MARKS of what was given; of a machine that lived before, its first event is not among them."""
    return pl.concat(
        [
            log.lives.select(BY, mark=pl.lit(FIRST), at="first"),
            log.lives.select(BY, mark=pl.lit(HORIZON), at="horizon"),
            marked(made.filter(pl.col("good").is_not_null()), QUALITY),
            reload_evidence.marks(log.observed, ctx),
        ]
    )


def _present(log: obs.Log, ctx: Context) -> pl.LazyFrame:
    """When somebody was there: in a visit, or in a shift planned as attended."""
    shifts = log.lives.select(BY).join(
        ctx.shifts.filter("attended").select(start="shift_start", end="shift_end"), how="cross"
    )
    cut = tiles(edges_of(log.visited), edges_of(shifts), life=log.lives)
    there = inside(inside(cut, log.visited, "visit"), merged(shifts), "shift")
    return merged(there.filter(pl.col("visit") | pl.col("shift")).select(BY, "start", "end"))

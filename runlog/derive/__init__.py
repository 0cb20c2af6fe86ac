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
    reloads,
    runs,
    shift_figures,
    spans,
    spindles,
    stops,
)
from runlog.derive import observations as obs
from runlog.derive.context import Context, context
from runlog.derive.frames import BY, held, inside, merged, tiles
from runlog.derive.frames import edges as edges_of
from runlog.schema import FACT_TABLES, PLANS, TABLES
from runlog.site import Site

__all__ = ["derive"]


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
    lives = held(obs.life(events))
    span = lives.select(pl.col("first").min(), pl.col("horizon").max()).collect().row(0)
    if span[0] is None:
        return {table.name: table.empty() for table in FACT_TABLES}
    named = [machine.name for machine in site.machines]
    known = lives.select(BY).collect()[BY].to_list()
    machines = [*named, *(name for name in known if name not in named)]
    first, last = span
    ctx = context(site, machines, first, last, PLANS.empty() if plans is None else plans)
    keyed = pl.col(BY).cast(ctx.key)
    log = obs.read(events.with_columns(keyed), held(lives.with_columns(keyed)), ctx)
    return _facts(log, ctx)


def _facts(log: obs.Log, ctx: Context) -> dict[str, pl.LazyFrame]:
    running, lost = held(parts.running(log)), held(parts.unavailable(log))
    counted = held(parts.counts(log, ctx))
    made = held(parts.with_quality(parts.placed(counted, running, lost), log.observed))
    changed = held(changeovers.changeovers(made, log, ctx))
    setting = held(changeovers.setting_of(changed))
    made = held(changeovers.mark_setting(made, setting))

    alarm = held(alarms.alarms(log.observed, ctx))
    reloaded = held(reloads.reloads(log, counted, alarm, setting, ctx))
    standard = held(hung.standard_cycles(made, running, reloaded, ctx))
    present = held(_present(log, ctx))
    cut = held(spans.pieces(log, reloaded, counted, setting, present, standard, ctx))
    stopped = held(stops.stops(log, cut, alarm, reloaded, made, standard, ctx))

    stock = runs.Stock(held(runs.fillings(log.observed)), reloaded, held(bars.brought(reloaded, log.starts)))
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
    }
    return {name: held(TABLES[name].conform(frame)) for name, frame in facts.items()}


def _present(log: obs.Log, ctx: Context) -> pl.LazyFrame:
    """When somebody was there: in a visit, or in a shift planned as attended."""
    shifts = log.lives.select(BY).join(
        ctx.shifts.filter("attended").select(start="shift_start", end="shift_end"), how="cross"
    )
    cut = tiles(edges_of(log.visited), edges_of(shifts), life=log.lives)
    there = inside(inside(cut, log.visited, "visit"), merged(shifts), "shift")
    return merged(there.filter(pl.col("visit") | pl.col("shift")).select(BY, "start", "end"))

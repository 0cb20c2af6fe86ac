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

from runlog.derive import alarms, bars, changeovers, hung, parts, reloads, runs, shift_figures, spans, spindles, stops
from runlog.derive import observations as obs
from runlog.derive.context import Context, context
from runlog.derive.frames import BY, held, inside, merged, tiles
from runlog.derive.frames import edges as edges_of
from runlog.schema import FACT_TABLES, TABLES
from runlog.site import Site

__all__ = ["derive"]


def derive(events: pl.LazyFrame, site: Site) -> dict[str, pl.LazyFrame]:
    """Derive every fact from the distinct events of some machines.

    Parameters
    ----------
    events : LazyFrame
        EVENTS, each observation once.
    site : Site
        Machines, jobs, shifts, causes. Machines of the site without events get shift rows without signal;
        machines the site does not know are derived with default limits.

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
    ctx = context(site, [*named, *(name for name in known if name not in named)], *span)
    keyed = pl.col(BY).cast(ctx.key)
    return _facts(events.with_columns(keyed), held(lives.with_columns(keyed)), ctx)


def _facts(events: pl.LazyFrame, lives: pl.LazyFrame, ctx: Context) -> dict[str, pl.LazyFrame]:
    observed = held(obs.observations(events, ctx))
    state = held(obs.states(observed, ctx))
    starts = held(obs.cycle_starts(observed, ctx))
    seen = held(obs.evidence(observed, ctx))
    visited = held(obs.visits(seen, ctx))
    present = held(_present(visited, lives, ctx))

    running = held(parts.running(state, lives))
    lost = held(parts.unavailable(state, lives))
    counted = held(parts.counts(observed, state, lives, ctx))
    made = held(parts.with_quality(parts.placed(counted, running, lost), observed))
    changed = held(changeovers.changeovers(made, observed, state, seen, ctx))
    setting = held(changeovers.setting_of(changed))
    made = held(changeovers.mark_setting(made, setting))

    alarm = held(alarms.alarms(observed, ctx))
    reloaded = held(reloads.reloads(observed, state, counted, alarm, seen, starts, setting, lives, ctx))
    standard = held(hung.standard_cycles(made, running, reloaded, ctx))
    cut = held(spans.pieces(state, reloaded, counted, starts, seen, setting, present, standard, lives, ctx))
    stopped = held(stops.stops(cut, alarm, reloaded, observed, made, standard, lives, ctx))

    filled = held(runs.fillings(observed))
    brought = held(bars.brought(reloaded, starts))
    unattended = held(runs.unattended_runs(cut, stopped, visited, made, reloaded, brought, filled, lives, ctx))
    shifted = held(shift_figures.cut_to_shifts(cut, stopped, reloaded, lives, ctx))
    turns = spindles.turning(observed, state, ctx)
    idle = cut.filter(pl.col("kind").is_in(["stopped", "reloading"]))
    facts = {
        "spans": spans.spans(cut, stopped),
        "parts": parts.finish(made, merged(idle)),
        "reloads": reloads.finish(reloaded, present, unattended),
        "bars": bars.bars(reloaded, made, observed, starts, ctx),
        "stops": stops.finish(stopped, unattended),
        "alarms": stops.finish_alarms(alarm, stopped),
        "unattended_runs": unattended,
        "changeovers": changed,
        "shift_figures": shift_figures.shift_figures(shifted, made, reloaded, stopped, turns, ctx),
        "shift_losses": shift_figures.shift_losses(shifted, stopped, ctx),
        "shift_plans": shift_figures.shift_plans(cut, filled, reloaded, brought, made, ctx),
    }
    return {name: held(TABLES[name].conform(frame)) for name, frame in facts.items()}


def _present(visited: pl.LazyFrame, lives: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    """When somebody was there: in a visit, or in a shift planned as attended."""
    shifts = lives.select(BY).join(
        ctx.shifts.filter("attended").select(start="shift_start", end="shift_end"), how="cross"
    )
    cut = tiles(edges_of(visited), edges_of(shifts), life=lives)
    there = inside(inside(cut, visited, "visit"), merged(shifts), "shift")
    return merged(there.filter(pl.col("visit") | pl.col("shift")).select(BY, "start", "end"))

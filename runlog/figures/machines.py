"""One row a machine of a night, worst first: what the review, the page and the terminal list."""

from typing import Final

import polars as pl

from runlog.figures.rollup import rolled_up
from runlog.figures.window import Facts, Window, begun
from runlog.figures.words import bar_changes, ending, machine_sentence, not_measured
from runlog.schema import BROUGHT_OUTCOMES, NO_JOB, OUTCOMES
from runlog.site import Site

MACHINES_ABOUT: Final = {
    "rank": "1 is the machine to walk to first",
    "machine": "name in the site file",
    "jobs": "jobs of the night, comma separated",
    "finding": "one sentence: what happened",
    "ending": "how its run ended: the first half of the finding, for where the numbers stand beside it",
    "planned_parts": "planned up to the window's end, or so far in a night still running; null without a job",
    "limit": "time, bars or order: what bound the plan",
    "plan_basis": "where the plan comes from: computed, order system, or both over several shifts; null without one",
    "plan_jobs": "jobs the plan is made for, comma separated; null without one",
    "computed_parts": "what time, bars and order allow; less than planned_parts: the order system asks for more",
    "parts": "parts made, setting parts out",
    "good_parts": "good parts; null: quality was not measured",
    "parts_lost": "planned less made",
    "hours_lost": "standard hours lost against plan, parts x PRI [h]",
    "standing_now": "its stop is still open at the end of the log",
    "stopped_at": "start of the stop, setting or lost signal that ended its run; null if it ran through",
    "ended_by": "stop, visit, order complete, out of bars, no signal, window, not started",
    "cause": "cause of the stop that ended its run",
    "code": "native code of the first-out",
    "text": "its words",
    "consequences": "further alarms counted after the first-out",
    "run_h": "hours producing and reloading [h]",
    "planned_h": "planned busy time, or so far in a night still running [h]",
    "clean": "reloads by outcome",
    "slow": "",
    "retried": "",
    "failed": "",
    "empty": "",
    "unclear": "",
    "reload_mean_s": "mean time of reloads that brought a bar [s]",
    "reload_planned_s": "planned reload time [s]",
    "bars": "bars finished in the night: those whose remnant is known",
    "remnant_mm": "their remnants together [mm]",
    "remnant_kg": "",
    "planned_remnant_mm": "planned remnants of as many bars [mm]",
    "planned_remnant_kg": "",
    "remnant_basis": "measured, inferred, measured and inferred",
    "run_out_at": "when bars were planned to run out; null where they do not bind",
    "bars_held": "bars in the magazine at the start, and how that is known",
    "bars_basis": "noted, or magazine: taken as full",
    "main_utilisation": "main spindle turning / PBT; null: not measured",
    "sub_utilisation": "sub-spindle turning / PBT; null: not measured",
    "coverage": "share of the planned time the log speaks of",
    "not_measured": "what was not measured, comma separated; empty if nothing",
    "bar_changes": "bar changes by outcome, comma separated; none without any",
}
"""Columns of `NightReview.machines`."""


def machine_rows(facts: Facts, figures: pl.LazyFrame, site: Site, window: Window) -> pl.DataFrame:
    made = rolled_up(figures, "machine").select(
        "machine",
        "parts",
        "good_parts",
        "pbt_s",
        "apt_s",
        "reload_overrun_s",
        "producing_s",
        "parts_unseen",
        "main_utilisation",
        "sub_utilisation",
        "coverage",
        "pri_parts_s",
        "setting_parts",
    )
    rows = (
        made.join(_jobs(figures), on="machine", how="left")
        .join(_plans(facts["shift_plans"], window), on="machine", how="left")
        .join(_reload_counts(facts["reloads"], window), on="machine", how="left")
        .join(_remnants(facts["bars"], window), on="machine", how="left")
        .join(_endings(facts, window), on="machine", how="left")
        .join(_evidence(facts["parts"], window), on="machine", how="left")
    )
    lost = pl.col("planned_parts") - pl.col("parts")
    rows = rows.with_columns(
        pl.col(*OUTCOMES).fill_null(0),
        pl.col("standing_now").fill_null(False),
        ended_by=pl.col("ended_by").fill_null("not started"),
        parts_lost=lost,
        hours_lost=lost * pl.col("standard_time_s") / 3600,
        run_h=(pl.col("apt_s") + pl.col("reload_overrun_s")) / 3600,
        planned_h=pl.col("pbt_s") / 3600,
    )
    ranked = (
        rows.sort(
            "standing_now",
            "hours_lost",
            "machine",
            descending=[True, True, False],
            nulls_last=[True, True, True],
        )
        .with_row_index("rank", 1)
        .with_columns(
            not_measured=not_measured(),
            bar_changes=bar_changes(),
            finding=machine_sentence(site.zone.key, days=window.hours > 24),
            ending=ending(site.zone.key, days=window.hours > 24),
        )
        .collect()
    )
    return ranked.select(*MACHINES_ABOUT)


def _jobs(figures: pl.LazyFrame) -> pl.LazyFrame:
    worked = figures.filter((pl.col("parts") > 0) | (pl.col("job") != NO_JOB)).sort("shift_start", "job")
    return worked.group_by("machine").agg(jobs=pl.col("job").unique(maintain_order=True).str.join(", "))


def _plans(plans: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    """The plan of the window; in a night still running, the planned line at the end of the log."""
    here = plans.filter((pl.col("shift_start") >= window.start) & (pl.col("shift_start") < window.end)).sort(
        "machine", "shift_start"
    )
    so_far_s = (pl.min_horizontal(pl.lit(window.seen_to), "shift_end") - pl.col("shift_start")).dt.total_seconds()
    by_now = pl.min_horizontal("planned_parts", so_far_s.clip(lower_bound=0) / pl.col("standard_time_s"))
    planned = by_now if window.running else pl.col("planned_parts")
    return (
        here.with_columns(planned=planned)
        .group_by("machine")
        .agg(
            planned_parts=pl.when(pl.col("planned").is_not_null().all()).then(pl.col("planned").sum()),
            limit=pl.col("limit").last(),
            plan_basis=pl.col("basis").drop_nulls().unique().sort().str.join(" and ").replace("", None),
            plan_jobs=pl.col("job").unique(maintain_order=True).str.join(", "),
            computed_parts=pl.when(pl.col("computed_parts").is_not_null().all()).then(pl.col("computed_parts").sum()),
            standard_time_s=pl.col("standard_time_s").first(),
            run_out_at=pl.col("run_out_at").drop_nulls().first(),
            bars_held=pl.col("bars").first(),
            bars_basis=pl.col("bars_basis").first(),
        )
    )


def _reload_counts(reloads: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    rated = begun(reloads, window).filter(~pl.col("hand_load"))
    brought = pl.col("outcome").is_in(BROUGHT_OUTCOMES)
    return rated.group_by("machine").agg(
        *((pl.col("outcome") == outcome).sum().alias(outcome) for outcome in OUTCOMES),
        reload_mean_s=pl.col("duration_s").filter(brought).mean(),
        reload_planned_s=pl.col("planned_s").filter(brought).mean(),
    )


def _remnants(bars: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    finished = pl.col("finished_at")
    here = bars.filter((finished >= window.start) & (finished < window.end) & pl.col("remnant_mm").is_not_null())
    return here.group_by("machine").agg(
        bars=pl.len(),
        remnant_mm=pl.col("remnant_mm").sum(),
        remnant_kg=_all_or_null("remnant_kg"),
        planned_remnant_mm=_all_or_null("planned_remnant_mm"),
        planned_remnant_kg=_all_or_null("planned_remnant_kg"),
        remnant_basis=pl.col("remnant_basis").unique().sort(descending=True).str.join(" and "),
    )


def _all_or_null(name: str) -> pl.Expr:
    return pl.when(pl.col(name).is_not_null().all()).then(pl.col(name).sum()).alias(name)


def _last_runs(runs: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    """How the last unattended run of the window ended: machine, ended_by, run_end."""
    here = runs.filter(pl.col("window_start") == window.start).sort("machine", "start")
    return here.group_by("machine").agg(
        ended_by=pl.col("ended_by").last().fill_null("still running"), run_end=pl.col("end").last()
    )


def _last_states(facts: Facts, window: Window) -> pl.LazyFrame:
    """What is still on at the end of an attended shift, which has no runs: machine, ended_by, run_end."""
    at_end = (pl.col("start") < window.seen_to) & (pl.col("end") >= window.seen_to)
    stop = facts["stops"].filter(at_end).select("machine", stop_start="start")
    ended_by = (
        pl.when(pl.col("stop_start").is_not_null())
        .then(pl.lit("stop"))
        .when(pl.col("kind") == "no signal")
        .then(pl.lit("no signal"))
        .otherwise(pl.lit("still running" if window.running else "window"))
    )
    return (
        facts["spans"]
        .filter(at_end)
        .join(stop, on="machine", how="left")
        .select("machine", ended_by=ended_by, run_end=pl.coalesce("stop_start", "start"))
    )


def _endings(facts: Facts, window: Window) -> pl.LazyFrame:
    """How the last run of the window ended, with the stop behind it, and whether it still stands."""
    last = _last_states(facts, window) if window.attended else _last_runs(facts["unattended_runs"], window)
    stops = facts["stops"].select("machine", "start", "cause", "code", "text", "consequences", open_stop=pl.col("open"))
    ended_early = pl.col("ended_by").is_in(["stop", "order complete", "out of bars", "no signal"])
    standing = (
        facts["stops"]
        .filter(pl.col("open") & (pl.col("start") < window.end))
        .group_by("machine")
        .agg(standing_now=pl.lit(True).first(), open_since=pl.col("start").last())
    )
    return (
        last.join(standing, on="machine", how="full", coalesce=True)
        .with_columns(
            stop_key=pl.when(pl.col("ended_by").fill_null("not started") == "not started")
            .then("open_since")
            .otherwise("run_end")
        )
        .join(stops, left_on=["machine", "stop_key"], right_on=["machine", "start"], how="left")
        .with_columns(
            stopped_at=pl.when(ended_early | pl.col("ended_by").is_null()).then("stop_key"),
        )
        .select(
            "machine",
            "ended_by",
            "stopped_at",
            "cause",
            "code",
            "text",
            "consequences",
            pl.col("standing_now").fill_null(False),
        )
    )


def _evidence(parts: pl.LazyFrame, window: Window) -> pl.LazyFrame:
    here = parts.filter(pl.col("at").is_between(window.start, window.end, closed="left"))
    return here.group_by("machine").agg(
        part_evidence=pl.col("evidence").unique().sort().str.join(", "),
        in_batch=pl.col("counted_in_batch").sum(),
    )

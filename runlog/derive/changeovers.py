"""From the last good part of one job to the first good part of the next.

Without measured quality the first good part is the first that another of its job follows with no MANUAL
mode and no door opening between. Setting begins at the first attended evidence after the old job's last
part, or at the program change if that came earlier; what lies before is waiting.
"""

import polars as pl

from runlog.derive.context import Context
from runlog.derive.frames import BY, first_after, inside, last_before, seconds
from runlog.derive.observations import MANUAL_MODES, Log
from runlog.schema import CHANGEOVERS, NO_JOB

COMPARED = ("diameter_mm", "material", "section", "feed_mode")


def changeovers(parts: pl.LazyFrame, log: Log, ctx: Context) -> pl.LazyFrame:
    """Changeovers of every machine (CHANGEOVERS).

    Parameters
    ----------
    parts : LazyFrame
        machine, at, part, job, good; parts of no job are passed over.
    log : Log
    ctx : Context
    """
    runs = _job_runs(parts, log)
    bounds = (
        runs.group_by(BY, "run", "job", maintain_order=True)
        .agg(
            last_at=pl.col("at").last(),
            last_good_at=pl.col("at").filter(pl.col("good").fill_null(True)).last(),
            proven_at=pl.col("at").filter("proven").first(),
        )
        .sort(BY, "run")
        .with_columns(
            from_job=pl.col("job").shift(1).over(BY),
            start=pl.coalesce("last_good_at", "last_at").shift(1).over(BY),
        )
        .filter(pl.col("from_job").is_not_null())
        .select(BY, "from_job", to_job="job", start="start", end=pl.coalesce("proven_at", "last_at"))
    )
    programs = log.state.filter(pl.col("program").ne_missing(pl.col("program").shift(1).over(BY)))
    seen_next = first_after(bounds, log.seen.select(BY, seen_at="at"), at="start", right="seen_at", strict=True)
    both = first_after(seen_next, programs.select(BY, set_at="at"), at="start", right="set_at", strict=True)
    setting_start = pl.min_horizontal("seen_at", "set_at", "end")
    return CHANGEOVERS.conform(
        keep=(BY,),
        frame=both.with_columns(setting_start=setting_start)
        .with_columns(
            waiting_s=seconds(pl.col("setting_start") - pl.col("start")),
            working_s=seconds(pl.col("end") - pl.col("setting_start")),
        )
        .pipe(_what_changed, ctx)
        .sort(BY, "start"),
    )


def _job_runs(parts: pl.LazyFrame, log: Log) -> pl.LazyFrame:
    """Parts with the number of their run of one job, and whether they prove the job runs."""
    manual = pl.col("mode").is_in(MANUAL_MODES)
    entered = log.state.filter(manual & ~manual.shift(1).over(BY).fill_null(False)).select(BY, "at")
    opened = log.observed.filter((pl.col("item") == "DOOR_STATE") & pl.col("changed") & (pl.col("text") == "OPEN"))
    disturbed = (
        pl.concat([entered, opened.select(BY, "at")])
        .sort(BY, "at")
        .select(BY, "at", disturbances=pl.int_range(1, pl.len() + 1).over(BY))
    )
    new_run = pl.col("job").ne_missing(pl.col("job").shift(1).over(BY))
    calm = pl.col("disturbances") == pl.col("disturbances").shift(-1).over(BY, "run")
    return (
        last_before(parts.filter(pl.col("job") != NO_JOB).select(BY, "at", "part", "job", "good"), disturbed)
        .with_columns(pl.col("disturbances").fill_null(0))
        .sort(BY, "part")
        .with_columns(run=new_run.cum_sum().over(BY))
        .with_columns(proven=pl.coalesce("good", calm.fill_null(False)))
    )


def _what_changed(rows: pl.LazyFrame, ctx: Context) -> pl.LazyFrame:
    jobs = ctx.plans.select("job", *COMPARED).unique("job")
    old = jobs.rename({name: f"old_{name}" for name in COMPARED} | {"job": "from_job"})
    changed = [
        pl.when(pl.col(name).ne_missing(pl.col(f"old_{name}"))).then(pl.lit(name.removesuffix("_mm").replace("_", " ")))
        for name in COMPARED
    ]
    return (
        rows.join(jobs, left_on="to_job", right_on="job", how="left")
        .join(old, on="from_job", how="left")
        .with_columns(what_changed=pl.concat_str([*changed, pl.lit("part")], separator=", ", ignore_nulls=True))
    )


def setting_of(changed: pl.LazyFrame) -> pl.LazyFrame:
    """The setting part of changeovers as intervals: machine, start, end, job (the one being set)."""
    return changed.filter(pl.col("setting_start") < pl.col("end")).select(
        BY, start="setting_start", end="end", job="to_job"
    )


def mark_setting(parts: pl.LazyFrame, setting: pl.LazyFrame) -> pl.LazyFrame:
    """Add to parts the flag `setting`: counted in the setting part of a changeover, its last one left out."""
    return inside(parts, setting, "setting", at="at")

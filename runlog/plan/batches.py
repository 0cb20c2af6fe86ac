"""How many parts a batch needs before unattended running pays for setting the feeder up.

A batch begins with an unattended window: the feeder was set up for it before, while the machine stood. So many of its
parts as a window holds are made with nobody there, then as many as the attended time up to the next window holds, and
so on. Gained are the hours in which the machine made parts unattended; paid is the changeover of the feeder. What a
batch asks for with or without a feeder (tools, first part) is in neither.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import polars as pl

from runlog import calendar
from runlog.plan.job import plan_job
from runlog.plan.run import busy_s, run_plans
from runlog.site import Job, Site

STEPS: Final = ("size_s", "pusher_s", "liner_s", "collet_s")
"""Keys of `[changeover]`: each step comes on top of those before it."""

WORDS: Final = {
    "size_s": "size setting only",
    "pusher_s": "size, pusher",
    "liner_s": "size, pusher, liner",
    "collet_s": "size, pusher, liner, collet",
}

SIZES: Final = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
"""Batch sizes of the curve."""


@dataclass(frozen=True)
class Rhythm:
    """What a machine makes of a job in one unattended window and in the attended time after it.

    Attributes
    ----------
    standard_time_s : float
        Planned run time per item, PRI. [s]
    unattended_parts : int
        Whole parts that a window holds, bars and time considered.
    attended_parts : int
        Whole parts that the attended time up to the next window holds.
    """

    standard_time_s: float
    unattended_parts: int
    attended_parts: int


_LOOK_AHEAD: Final = timedelta(days=15)
"""How far the next two unattended windows are looked for: over a weekend and a week of holidays."""


def rhythm(site: Site, machine: str, job: Job, at: datetime) -> Rhythm | None:
    """What a machine makes of a job in the unattended window at or after an instant, its magazine full, and after it.

    Returns
    -------
    Rhythm or None
        None where no unattended window comes within two weeks, or a bar gives no part.
    """
    windows = list(calendar.unattended(site, at, at + _LOOK_AHEAD).iter_rows())
    if not windows or not plan_job(site, machine, job).parts_per_bar:
        return None
    start, end = windows[0]
    until = windows[1][0] if len(windows) > 1 else at + _LOOK_AHEAD
    plan = run_plans(site, job, [machine], start).row(0, named=True)
    held = min(plan["by_time"], plan["by_bars"] if plan["by_bars"] is not None else plan["by_time"])
    pri_s = plan["standard_time_s"]
    return Rhythm(pri_s, int(held), int(busy_s(site, machine, end, until) // pri_s))


def changeovers(site: Site) -> pl.DataFrame:
    """Planned changeover times by what changes: change, changeover_s."""
    times = site.changeover.model_dump()
    rows = [(WORDS[step], sum(times[one] for one in STEPS[: n + 1])) for n, step in enumerate(STEPS)]
    return pl.DataFrame(rows, schema={"change": pl.String, "changeover_s": pl.Float64}, orient="row")


def batch_curve(rhythm: Rhythm, changes: pl.DataFrame, sizes: tuple[int, ...] = SIZES) -> pl.DataFrame:
    """Hours gained by batch size and by what changes.

    Parameters
    ----------
    rhythm : Rhythm
    changes : DataFrame
        From `changeovers`.
    sizes : tuple of int
        Batch sizes.

    Returns
    -------
    DataFrame
        batch, change, changeover_h, unattended_h (hours of the batch made with nobody there), net_h.
    """
    whole = rhythm.unattended_parts + rhythm.attended_parts
    batch = pl.col("batch")
    if whole:
        in_windows = batch // whole * rhythm.unattended_parts + pl.min_horizontal(
            batch % whole, pl.lit(rhythm.unattended_parts)
        )
    else:
        in_windows = pl.lit(0)
    return (
        pl.LazyFrame({"batch": sizes}, schema={"batch": pl.Int64})
        .with_columns(unattended_h=in_windows * rhythm.standard_time_s / 3600)
        .join(changes.lazy(), how="cross")
        .with_columns(changeover_h=pl.col("changeover_s") / 3600)
        .with_columns(net_h=pl.col("unattended_h") - pl.col("changeover_h"))
        .select("batch", "change", "changeover_h", "unattended_h", "net_h")
        .collect()
    )


def paying_batches(rhythm: Rhythm, changes: pl.DataFrame) -> pl.DataFrame:
    """The smallest batch whose unattended hours make up for each changeover.

    Returns
    -------
    DataFrame
        change, changeover_s, paying_batch (null where no window holds a part).
    """
    wanted = (pl.col("changeover_s") / rhythm.standard_time_s).ceil().cast(pl.Int64)
    if rhythm.unattended_parts:
        # The last of them falls into the window after so many whole ones, each with its attended time.
        windows_before = (wanted - 1).clip(lower_bound=0) // rhythm.unattended_parts
        batch = wanted + windows_before * rhythm.attended_parts
    else:
        batch = pl.when(wanted == 0).then(pl.lit(0, pl.Int64))
    return changes.lazy().with_columns(paying_batch=batch).select("change", "changeover_s", "paying_batch").collect()

"""How long reloads take against the plan: who drifts, who changed from one shift on, and what is only another job.

    told = reload_durations(facts)
    told.series      # one row a machine and job: against plan, verdict, when it was noticed, before and after
    told.points      # one row a shift: median, EWMA and CUSUM with their limits, to draw

Looked at are reloads that went well at the first attempt (clean, slow); the median of a shift stands for it, as a slow
one now and then is no drift. Charts start without a trial period (`self_starting`). Their limits are so wide that in a
healthy shop one look in forty signals anywhere: all machines, jobs and shifts of it together. A trend or step that the
rank tests find at a false discovery rate of 2.5 % counts as well.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final

import numpy as np
import polars as pl

from runlog.figures.groups import in_shifts
from runlog.figures.trend_tests import LEAST_VALUES, verdicts
from runlog.figures.window import Facts
from runlog.schema import NO_JOB
from runlog.statistics.charts import Cusum, cusum, cusum_limit, ewma, ewma_width, self_starting
from runlog.statistics.proportions import Floats

WINDOW: Final = timedelta(weeks=13, days=-1)
LEAST_RELOADS: Final = 3
"""A shift with fewer reloads has no median worth charting. Common practice."""
WEIGHT: Final = 0.2
"""Of the newest shift in the EWMA. Common practice."""
SLACK: Final = 0.5
"""Of the CUSUM, in spreads: it is quickest for a step of one spread."""
FALSE_ALARM: Final = 0.025
LEAST_CHANGE: Final = 0.05
"""A change by a smaller share of the planned time is too small to matter. Common practice."""
_TOLD: Final = ("machine", "job", "start", "duration_s", "planned_s")
ALL_JOBS: Final = "all jobs"

VERDICTS: Final = ("step", "drift", "change of job", "too small to matter", "steady", "too few to tell")

SERIES: Final = pl.Schema(
    {
        "machine": pl.String(),
        "job": pl.String(),
        "reloads": pl.Int64(),
        "shifts": pl.Int64(),
        "planned_s": pl.Float64(),
        "median_s": pl.Float64(),
        "against_plan": pl.Float64(),
        "verdict": pl.String(),
        "direction": pl.String(),
        "noticed": pl.Date(),
        "noticed_by": pl.String(),
        "since": pl.Date(),
        "before": pl.Float64(),
        "after": pl.Float64(),
        "q": pl.Float64(),
        "sentence": pl.String(),
    }
)
POINTS: Final = pl.Schema(
    {
        "machine": pl.String(),
        "job": pl.String(),
        "shift_date": pl.Date(),
        "shift": pl.String(),
        "reloads": pl.Int64(),
        "median_s": pl.Float64(),
        "planned_s": pl.Float64(),
        "against_plan": pl.Float64(),
        "score": pl.Float64(),
        "ewma": pl.Float64(),
        "ewma_limit": pl.Float64(),
        "cusum_high": pl.Float64(),
        "cusum_low": pl.Float64(),
        "cusum_limit": pl.Float64(),
    }
)


@dataclass(frozen=True)
class ReloadDurations:
    """How long reloads took.

    Attributes
    ----------
    series : pl.DataFrame
        SERIES, what changed first: medians and how many times the planned time they are (`against_plan`; `before` and
        `after` likewise: of a step its two sides, else the first and last quarter). `since`: first shift date after a
        step, or where the CUSUM began to run.
    points : pl.DataFrame
        POINTS: `score` is the shift's median on the scale of a standard normal, and so are charts and limits.
    first, last : datetime
        Start of the first reload and of the last that were looked at; None without any.
    """

    series: pl.DataFrame
    points: pl.DataFrame
    first: datetime | None
    last: datetime | None


def reload_durations(facts: Facts, *, first: date | None = None, last: date | None = None) -> ReloadDurations:
    """Judge how long reloads took in a stretch of time.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    first, last : date, optional
        Reloads of shifts that start on these days, both included; the last 13 weeks with reloads if not given.
    """
    day = pl.col("shift_date")
    well = facts["reloads"].filter(
        ~pl.col("hand_load") & pl.col("outcome").is_in(["clean", "slow"]) & (pl.col("planned_s") > 0)
    )
    rows = in_shifts(well.select(*_TOLD), facts["shift_plans"], at="start").collect()
    rows = rows.filter(day <= last) if last else rows
    rows = rows.filter(day >= (first or day.max() - WINDOW))
    span = rows.select(first=pl.col("start").min(), last=pl.col("start").max()).row(0)
    return ReloadDurations(*judged(rows), *span)


def judged(rows: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """SERIES and POINTS of some reloads: machine, job, shift_date, shift, start, duration_s, planned_s."""
    shifts = pl.concat([_shifts(rows), _shifts(rows.with_columns(job=pl.lit(ALL_JOBS)))])
    parts = shifts.partition_by("machine", "job", maintain_order=True)
    if not parts:
        return pl.DataFrame(schema=SERIES), pl.DataFrame(schema=POINTS)
    long = [part for part in parts if part.height >= LEAST_VALUES]
    limits = _limits(sum(part.height for part in long))
    values = [part["against_plan"].to_list() for part in long]
    q = iter([one.q for one in verdicts(values)])
    told, drawn = [], []
    for part in parts:
        if part.height < LEAST_VALUES:
            told.append(_summary(part) | {"verdict": "too few to tell"})
            continue
        charts = _charted(part, *limits)
        drawn.append(charts)
        told.append(_summary(part) | _verdict(charts, next(q)))
    series = _without_jobs_of_their_own(pl.DataFrame(told, schema=SERIES))
    said = [sentence(row) for row in series.iter_rows(named=True)]
    points = pl.concat(drawn).select(*POINTS).cast(POINTS) if drawn else pl.DataFrame(schema=POINTS)  # type: ignore[arg-type]
    return series.with_columns(sentence=pl.Series(said, dtype=pl.String)), points


def _shifts(rows: pl.DataFrame) -> pl.DataFrame:
    """Medians of shifts with reloads enough, in order of time."""
    known = rows.filter(pl.col("job") != NO_JOB).with_columns(against_plan=pl.col("duration_s") / pl.col("planned_s"))
    return (
        known.group_by("machine", "job", "shift_date", "shift")
        .agg(
            pl.col("start").min(),
            pl.col("against_plan").median(),
            median_s=pl.col("duration_s").median(),
            planned_s=pl.col("planned_s").median(),
            reloads=pl.len(),
        )
        .filter(pl.col("reloads") >= LEAST_RELOADS)
        .sort("machine", "job", "start")
    )


def _limits(points: int) -> tuple[float, float]:
    """Width of the EWMA and limit of the CUSUM, by how many points all charts together have."""
    # Half of the chance for each of the two charts.
    run_length = max(2 * points / FALSE_ALARM, 100.0)
    return ewma_width(run_length, WEIGHT), cusum_limit(run_length, SLACK)


def _charted(part: pl.DataFrame, width: float, limit: float) -> pl.DataFrame:
    score = self_starting(np.log(part["against_plan"].to_numpy()))
    average, sums = ewma(score, 0.0, 1.0, WEIGHT, width), cusum(score, 0.0, SLACK, limit)
    return part.with_columns(
        score=pl.Series(score),
        ewma=pl.Series(average.value),
        ewma_limit=pl.Series(average.high),
        cusum_high=pl.Series(sums.high),
        cusum_low=pl.Series(sums.low),
        cusum_limit=pl.lit(limit),
    )


def _summary(part: pl.DataFrame) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(SERIES)
    return row | {
        "machine": part["machine"][0],
        "job": part["job"][0],
        "reloads": int(part["reloads"].sum()),
        "shifts": part.height,
        "planned_s": part["planned_s"].median(),
        "median_s": part["median_s"].median(),
        "against_plan": part["against_plan"].median(),
    }


def _verdict(charts: pl.DataFrame, q: float) -> dict[str, Any]:
    values = charts["against_plan"].to_numpy()
    by_ewma = _first(charts.select(pl.col("ewma").abs() > pl.col("ewma_limit")).to_series())
    sums = Cusum(charts["cusum_high"].to_numpy(), charts["cusum_low"].to_numpy(), float(charts["cusum_limit"][0]))
    signals = {"EWMA": by_ewma, "CUSUM": sums.first_signal}
    seen = {name: at for name, at in signals.items() if at is not None}
    if not seen and q > FALSE_ALARM:
        return {"verdict": "steady", "q": q}
    noticed = min(seen.values(), default=len(values) - 1)
    split = _step_at(charts["start"].dt.epoch("us").to_numpy().astype(float), np.log(values))
    # What was noticed before a step was to come is none.
    split = None if split is not None and noticed < split else split
    quarter = -(-len(values) // 4)
    begin, end = (split, split) if split is not None else (quarter, len(values) - quarter)
    before, after = float(np.median(values[:begin])), float(np.median(values[end:]))
    since = split if split is not None else sums.begins(noticed)
    told = "step" if split is not None else "drift"
    return {
        "verdict": told if abs(after - before) >= LEAST_CHANGE else "too small to matter",
        "direction": "longer" if after > before else "shorter",
        "noticed": charts["shift_date"][noticed],
        "noticed_by": " and ".join(name for name, at in seen.items() if at == noticed) or "rank tests",
        "since": charts["shift_date"][since],
        "before": before,
        "after": after,
        "q": q,
    }


def _step_at(at: Floats, values: Floats) -> int | None:
    """Number of values before the step, where one fits better than a straight line over time; else None.

    Notes
    -----
    G. Schwarz, Annals of Statistics 6 (1978) 461-464: n ln(sum of squares) + parameters x ln(n), two parameters for the
    line, three for the step.
    """
    n = values.size
    before = np.arange(1, n)
    sums, whole = np.cumsum(values)[:-1], values.sum()
    between = sums**2 / before + (whole - sums) ** 2 / (n - before)
    split = int(np.argmax(between)) + 1
    squares = float((values**2).sum())
    step = squares - float(between[split - 1])
    days = (at - at.mean()) / max(float(np.ptp(at)), 1.0)
    line = squares - whole**2 / n - float(days @ values) ** 2 / max(float(days @ days), 1e-12)
    least = 1e-12 * max(squares, 1e-12)
    return split if n * np.log(max(step, least)) + np.log(n) < n * np.log(max(line, least)) else None


def _first(is_out: pl.Series) -> int | None:
    found = is_out.arg_true()
    return int(found[0]) if len(found) else None


def _without_jobs_of_their_own(series: pl.DataFrame) -> pl.DataFrame:
    """Of all jobs together keep what no job shows by itself: then it is the change of job that made it."""
    changed = pl.col("verdict").is_in(["step", "drift"])
    whole = pl.col("job") == ALL_JOBS
    own = series.filter(~whole).group_by("machine").agg(of_itself=changed.any(), jobs=pl.len())
    rank = pl.col("verdict").replace_strict(dict(zip(VERDICTS, range(len(VERDICTS)), strict=True)))
    return (
        series.join(own, on="machine", how="left")
        .filter(~whole | (changed & ~pl.col("of_itself") & (pl.col("jobs") > 1)))
        .with_columns(verdict=pl.when(whole).then(pl.lit("change of job")).otherwise("verdict"))
        .select(*SERIES)
        .sort(rank, "machine", "job")
    )


# --- in words ------------------------------------------------------------------------------------


def sentence(row: dict[str, Any]) -> str:
    """How long reloads of a machine and job take, and what became of that."""
    if row["job"] == ALL_JOBS:
        return (
            f"Reloads took {_share(row['before'])} of the planned time, later {_share(row['after'])}, but no job by"
            " itself changed: other jobs ran"
        )
    level = f"{row['median_s']:.0f} s, {row['planned_s']:.0f} s planned"
    noticed = f"noticed {row['noticed']} by {row['noticed_by']}" if row["noticed"] else ""
    change = ""
    if row["before"] is not None:
        change = f"{row['direction']}, from {_share(row['before'])} to {_share(row['after'])} of the planned time"
    return {
        "step": f"{level}; {change} from {row['since']} on, {noticed}",
        "drift": f"{level}; {change}, little by little; {noticed}",
        "too small to matter": f"{level}; {change}: too small to matter",
        "steady": f"{level}; no change that chance would not make as well",
        "too few to tell": f"{level}; {row['shifts']} shifts, {LEAST_VALUES} are needed to tell a change",
    }[row["verdict"]]


def _share(value: float) -> str:
    return f"{100 * value:.0f} %"

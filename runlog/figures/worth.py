"""What running unattended brings: hours and parts a week beside the attended ones, and what each cause takes of it.

    review = unattended_worth(facts, site, hour_value=45.0)

An hour is one of producing or reloading. Unattended are shifts planned with nobody present; what a machine makes in
no shift at all is a line of its own. A cause takes what its stops left of their nights: as much as time, bars and
order still allowed, less what other causes would have taken of it in turn.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import polars as pl

from runlog.figures.run_history import OUT_OF_BARS, STOP, TOO_FEW_BARS, WINDOW, run_history
from runlog.figures.window import Facts
from runlog.plan import standard_time_s
from runlog.site import Site

ATTENDED: Final = "attended"
UNATTENDED: Final = "unattended"
OUTSIDE: Final = "outside shifts"
_DAYS_A_WEEK: Final = 7

TIMES: Final = pl.Schema(
    {
        "time": pl.String(),
        "planned_h": pl.Float64(),
        "worked_h": pl.Float64(),
        "parts": pl.Float64(),
        "good_parts": pl.Float64(),
        "value": pl.Float64(),
    }
)
"""A row each of attended, unattended, outside shifts; a week of all machines. Hours planned busy (PBT; null outside),
hours of producing and reloading, parts, good parts (null: not measured in all of them), value of the hours worked
(null without the worth of an hour)."""

TAKEN: Final = pl.Schema(
    {
        "cause": pl.String(),
        "stops": pl.Int64(),
        "lost_h": pl.Float64(),
        "gained_h": pl.Float64(),
        "gained_parts": pl.Float64(),
        "gained_value": pl.Float64(),
        "with_h": pl.Float64(),
        "without_h": pl.Float64(),
    }
)
"""One row a cause, the costliest first; stops in all, the rest a week of all machines: hours that its stops left of
their nights, hours, parts and value that would be gained without it, unattended hours worked with it (as they were)
and without it."""


@dataclass(frozen=True)
class Worth:
    """What running unattended brings.

    Attributes
    ----------
    times : DataFrame
        TIMES.
    causes : DataFrame
        TAKEN.
    first, last : date or None
        Shifts that start on these days are counted.
    weeks : float
        How many weeks that is.
    hour_value : float or None
        Worth of a machine hour.
    currency : str
        The site's.
    share : float or None
        Unattended hours worked over attended ones; None without any of these.
    """

    times: pl.DataFrame
    causes: pl.DataFrame
    first: date | None
    last: date | None
    weeks: float
    hour_value: float | None
    currency: str
    share: float | None


def unattended_worth(
    facts: Facts, site: Site, *, first: date | None = None, last: date | None = None, hour_value: float | None = None
) -> Worth:
    """Hours, parts and value of unattended running, a week.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    first, last : date, optional
        Shifts that start on these days, both included; the last 13 weeks of the log if not given.
    hour_value : float, optional
        What a machine hour is worth, in the site's currency.
    """
    figures = facts["shift_figures"].filter(pl.col("pbt_s") > pl.col("no_signal_s"))
    day = pl.col("shift_date")
    figures = figures.filter(day <= last) if last else figures
    shifts = figures.filter(day >= (first or day.max() - WINDOW + timedelta(days=1))).collect()
    days = shifts.select(first=day.min(), last=day.max()).row(0)
    weeks = ((days[1] - days[0]).days + 1) / _DAYS_A_WEEK if days[0] else 0.0
    times = _times(shifts, weeks, hour_value)
    worked_h = float(times.filter(pl.col("time") == UNATTENDED)["worked_h"].sum())
    runs = run_history(facts, site, *days)
    return Worth(
        times=times,
        causes=_taken(runs, weeks, worked_h, hour_value),
        first=days[0],
        last=days[1],
        weeks=weeks,
        hour_value=hour_value,
        currency=site.site.currency,
        share=_share(times),
    )


def _times(shifts: pl.DataFrame, weeks: float, hour_value: float | None) -> pl.DataFrame:
    if not weeks:
        return pl.DataFrame(schema=TIMES)
    worked = pl.col("producing_s") + pl.col("reload_planned_s") + pl.col("reload_overrun_s")
    kind = pl.when("attended").then(pl.lit(ATTENDED)).otherwise(pl.lit(UNATTENDED))
    made = pl.col("parts").sum()
    inside = shifts.group_by(time=kind).agg(
        planned_h=pl.col("pbt_s").sum() / 3600,
        worked_h=worked.sum() / 3600,
        parts=made,
        good_parts=pl.when(pl.col("good_parts").is_not_null().all()).then(pl.col("good_parts").sum()),
    )
    outside = shifts.select(
        time=pl.lit(OUTSIDE),
        planned_h=pl.lit(None, pl.Float64),
        worked_h=pl.col("off_plan_s").sum() / 3600,
        parts=pl.col("off_plan_parts").sum(),
        good_parts=pl.lit(None, pl.Int64),
    )
    each = [name for name in TIMES if name not in ("time", "value")]
    return (
        pl.concat([inside, outside], how="vertical_relaxed")
        .with_columns(pl.col(each) / weeks)
        .with_columns(value=pl.col("worked_h") * hour_value if hour_value is not None else pl.lit(None, pl.Float64))
        .sort(pl.col("time").replace_strict({ATTENDED: 0, UNATTENDED: 1, OUTSIDE: 2}))
        .select(pl.col(name).cast(kind) for name, kind in TIMES.items())
    )


def _taken(runs: pl.DataFrame, weeks: float, worked_h: float, hour_value: float | None) -> pl.DataFrame:
    empty = pl.col("ended_by") == OUT_OF_BARS
    stops = runs.filter((pl.col("ended_by") == STOP) | empty).with_columns(
        cause=pl.when(empty).then(pl.lit(TOO_FEW_BARS)).otherwise(pl.col("cause").fill_null("unexplained"))
    )
    if not stops.height or not weeks:
        return pl.DataFrame(schema=TAKEN)
    hours = max(float(runs["working_h"].sum()), 1e-9)
    counts = stops.group_by("cause").agg(own=pl.len())
    others = (stops.height - pl.col("own")) / hours
    left_h = (pl.col("planned_end") - pl.col("end")).dt.total_microseconds() / 3.6e9
    part_h = standard_time_s(pl.col("cycle_s"), pl.col("reload_s"), pl.col("parts_per_bar")) / 3600
    by_plan_h = (pl.col("planned_parts") - pl.col("parts")).clip(lower_bound=0) * part_h
    # More bars would have been a larger plan.
    lost_h = pl.when(empty).then(left_h).otherwise(pl.min_horizontal(left_h, by_plan_h))
    # What a constant rate of other stops leaves of so many hours, on average.
    kept = pl.when(others * lost_h > 1e-9).then((1 - (-others * lost_h).exp()) / others).otherwise(lost_h)
    each = (
        stops.join(counts, on="cause")
        .with_columns(lost_h=lost_h, gained_h=kept, part_h=part_h)
        .with_columns(gained_parts=pl.col("gained_h") / pl.col("part_h"))
    )
    value = pl.col("gained_h") * hour_value if hour_value is not None else pl.lit(None, pl.Float64)
    return (
        each.group_by("cause")
        .agg(stops=pl.len(), **{name: pl.col(name).sum() / weeks for name in ("lost_h", "gained_h", "gained_parts")})
        .with_columns(gained_value=value, with_h=pl.lit(worked_h), without_h=worked_h + pl.col("gained_h"))
        .sort("gained_h", "cause", descending=[True, False])
        .select(pl.col(name).cast(kind) for name, kind in TAKEN.items())
    )


def _share(times: pl.DataFrame) -> float | None:
    hours = dict(times.select("time", "worked_h").iter_rows())
    attended = hours.get(ATTENDED)
    return hours.get(UNATTENDED, 0.0) / attended if attended else None

"""Endurance: how long unattended runs last before a stop ends them, what ends them, and who lasts longer.

    review = endurance(facts, site)
    review.groups        # one row a group: runs, stops, median and 10 % point with limits
    review.shares        # share still going after so many hours, and how many were watched there
    review.causes        # share of runs ended by each cause so far, causes competing
    review.compared      # do machines, jobs, diameters differ: log-rank test

Length is in hours of the clock or in reloads. A run that reached the window's end, a visit, the end of its order or
of its bars, or lost its signal, did not stop: it is known to have lasted so long (censored). For the causes, the end
of bars and of the order compete: a run that ended so can no longer be ended by a fault.
"""

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
import polars as pl

from runlog.errors import RunlogError
from runlog.figures.run_history import OUT_OF_BARS, WINDOW, run_history
from runlog.figures.window import Facts
from runlog.site import Site
from runlog.statistics.proportions import clopper_pearson
from runlog.statistics.survival import Curve, aalen_johansen, kaplan_meier, log_rank

DIMENSIONS: Final = ("machine", "job", "diameter")
UNITS: Final = ("hours", "reloads")
WHOLE: Final = "plant"
ALL: Final = "all"
MILESTONES: Final = {"hours": (1.0, 2.0, 4.0, 8.0, 12.0, 24.0, 48.0), "reloads": (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)}
"""Lengths at which shares are shown; those that no run reached are left out."""
COMPETING: Final = (OUT_OF_BARS, "order complete")
FEW: Final = 5
"""Fewer stops than these: too few to tell."""
LEVEL: Final = 0.05
"""Groups differ where chance would make them as different in fewer cases than this."""


@dataclass(frozen=True)
class Endurance:
    """How long runs last.

    Attributes
    ----------
    unit : str
        hours or reloads.
    groups : DataFrame
        GROUPS; the whole first, then by dimension the shortest-lived first.
    curves : DataFrame
        CURVES: the curve of each group, a row a step.
    shares : DataFrame
        dimension, group, length, at_risk, surviving, low, high: at MILESTONES that the group reached.
    causes : DataFrame
        cause, runs (ended by it), length, share (ended by it so far): of all runs together, at MILESTONES and at the
        longest length seen.
    cause_curves : DataFrame
        dimension, group, cause, length, share: a row a step.
    compared : DataFrame
        dimension, groups, chi_square, freedom, p, finding.
    runs, running : int
        Runs looked at, and those among them still running when the log ended.
    first, last : date or None
        Days on which their windows began.
    """

    unit: str
    groups: pl.DataFrame
    curves: pl.DataFrame
    shares: pl.DataFrame
    causes: pl.DataFrame
    cause_curves: pl.DataFrame
    compared: pl.DataFrame
    runs: int
    running: int
    first: date | None
    last: date | None


GROUPS: Final = pl.Schema(
    {
        "dimension": pl.String(),
        "group": pl.String(),
        "runs": pl.Int64(),
        "stops": pl.Int64(),
        "watched": pl.Float64(),
        "median": pl.Float64(),
        "median_low": pl.Float64(),
        "median_high": pl.Float64(),
        "tenth": pl.Float64(),
        "tenth_low": pl.Float64(),
        "tenth_high": pl.Float64(),
        "longest": pl.Float64(),
        "finding": pl.String(),
    }
)
"""Runs, night-ending stops, length watched in all; the length by which half (a tenth) of the runs have stopped, with
95 % limits; null where that was not seen. Longest run seen, stopped or not."""
CURVES: Final = pl.Schema(
    {
        "dimension": pl.String(),
        "group": pl.String(),
        "length": pl.Float64(),
        "at_risk": pl.Int64(),
        "stopped": pl.Int64(),
        "surviving": pl.Float64(),
        "error": pl.Float64(),
        "low": pl.Float64(),
        "high": pl.Float64(),
    }
)
_SHARES: Final = ("dimension", "group", "length", "at_risk", "surviving", "low", "high")


def endurance(
    facts: Facts,
    site: Site,
    *,
    unit: str = "hours",
    dimensions: tuple[str, ...] = DIMENSIONS,
    first: date | None = None,
    last: date | None = None,
) -> Endurance:
    """How long the unattended runs of some days lasted.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    unit : str
        hours, or reloads.
    dimensions : tuple of str
        Out of DIMENSIONS.
    first, last : date, optional
        Days on which windows began, both included; the last 13 weeks with runs if not given.

    Raises
    ------
    RunlogError
        The first day is after the last.
    """
    if first and last and first > last:
        raise RunlogError(f"--from {first} --to {last}: a first day not after the last one expected")
    runs = run_history(facts, site, first, last)
    if first is None and runs.height:
        runs = runs.filter(pl.col("window_start") > pl.col("window_start").max() - WINDOW)
    return endurance_of(runs, unit, dimensions, site.site.time_zone)


def endurance_of(runs: pl.DataFrame, unit: str, dimensions: tuple[str, ...], zone: str = "UTC") -> Endurance:
    """The same from runs at hand.

    Parameters
    ----------
    runs : DataFrame
        machine, job, diameter_mm, window_start, ended_by, cause, stopped, clock_h, reloads.
    unit, dimensions, zone
        As in `endurance`.
    """
    rows = _grouped(runs, unit)
    parts = [
        (dimension, name, part)
        for dimension in (WHOLE, *dimensions)
        for (name,), part in rows.filter(pl.col(dimension).is_not_null())
        .sort(dimension)
        .group_by(dimension, maintain_order=True)
    ]
    curves = {(dimension, name): _curve(part) for dimension, name, part in parts}
    groups = pl.DataFrame([_row(*one, curves[one[:2]], unit) for one in parts], schema=GROUPS, orient="row")
    order = pl.col("dimension").replace_strict({name: n for n, name in enumerate((WHOLE, *DIMENSIONS))})
    days = runs.select(day=pl.col("window_start").dt.convert_time_zone(zone).dt.date())["day"]
    return Endurance(
        unit=unit,
        groups=groups.sort(order, "tenth", "group", nulls_last=True),
        curves=_stacked([_steps(*key, curve) for key, curve in curves.items()], CURVES),
        shares=_stacked(
            [
                _at_milestones(*key, curve, part, unit)
                for (*_, part), (key, curve) in zip(parts, curves.items(), strict=True)
            ],
            pl.Schema({name: CURVES[name] for name in _SHARES}),
        ),
        causes=_causes(rows, unit),
        cause_curves=pl.concat([_cause_steps(*one) for one in parts]) if parts else pl.DataFrame(),
        compared=_compared(parts, dimensions),
        runs=runs.height,
        running=int(runs["ended_by"].null_count()),
        first=days.min(),  # type: ignore[arg-type]
        last=days.max(),  # type: ignore[arg-type]
    )


def _grouped(runs: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Runs with their length, what ended them (null: censored), and a text column a dimension."""
    length = pl.col("clock_h") if unit == "hours" else pl.col("reloads").cast(pl.Float64)
    ended = (
        pl.when("stopped")
        .then(pl.col("cause").fill_null("unexplained"))
        .when(pl.col("ended_by").is_in(COMPETING))
        .then("ended_by")
    )
    diameter = pl.format("{} mm", pl.col("diameter_mm").cast(pl.String).str.replace(r"\.0$", ""))
    return runs.select(
        "machine",
        "job",
        "stopped",
        **{WHOLE: pl.lit(ALL)},
        diameter=pl.when(pl.col("diameter_mm").is_not_null()).then(diameter),
        length=length,
        ended=ended,
    )


def _curve(part: pl.DataFrame) -> Curve:
    return kaplan_meier(part["length"].to_numpy(), part["stopped"].to_numpy())


def _row(dimension: str, name: Any, part: pl.DataFrame, curve: Curve, unit: str) -> tuple[Any, ...]:
    stops = int(part["stopped"].sum())
    points = [_point(curve, share) for share in (0.5, 0.9)]
    counts = (part.height, stops, float(part["length"].sum()))
    longest = float(part["length"].max())  # type: ignore[arg-type]
    said = _finding(part.height, stops, points, longest, unit)
    return (dimension, str(name), *counts, *points[0], *points[1], longest, said)


def _point(curve: Curve, share: float) -> tuple[float | None, float | None, float | None]:
    """When only a share is still going, with limits: when the limits of the curve cross it.

    R. Brookmeyer and J. Crowley, Biometrics 38 (1982) 29-41, on the log-log scale.
    """
    reached = [_first(curve.time, limit <= share + 1e-12) for limit in (curve.low, curve.high)]
    return curve.quantile(share), reached[0], reached[1]


def _first(time: np.ndarray, there: np.ndarray) -> float | None:
    places = np.flatnonzero(there)
    return float(time[places[0]]) if places.size else None


def _finding(runs: int, stops: int, points: list[tuple[float | None, ...]], longest: float, unit: str) -> str:
    said = f"{stops} of {runs} runs stopped"
    if not runs or longest <= 0:
        return said
    length = f"{longest:.1f} h" if unit == "hours" else f"{longest:.0f} reloads"
    if not stops:
        return f"{said}; none did in runs of up to {length}"
    ends = [
        f"{word} by {point[0]:.1f} h" if unit == "hours" else f"{word} by reload {point[0]:.0f}"
        for word, point in (("a tenth", points[1]), ("half", points[0]))
        if point[0] is not None
    ]
    rest = "" if points[0][0] is not None else f"{', ' if ends else ''}half did not in runs of up to {length}"
    few = "; too few to tell" if stops < FEW else ""
    return f"{said}; {', '.join(ends)}{rest}{few}"


def _steps(dimension: str, name: Any, curve: Curve) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "dimension": dimension,
            "group": str(name),
            "length": curve.time,
            "at_risk": curve.at_risk.astype(np.int64),
            "stopped": curve.ended.astype(np.int64),
            "surviving": curve.surviving,
            "error": curve.error,
            "low": curve.low,
            "high": curve.high,
        },
        schema=CURVES,
    ).fill_nan(None)


def _at_milestones(dimension: str, name: Any, curve: Curve, part: pl.DataFrame, unit: str) -> pl.DataFrame:
    """The curve at lengths that some run of the group reached, and how many were still watched there.

    Before the first stop the curve has no error of its own: its lower limit is that of so many runs without a stop
    (C. J. Clopper and E. S. Pearson, Biometrika 26, 1934).
    """
    lengths = part["length"].to_numpy()
    there = [one for one in MILESTONES[unit] if (lengths >= one).any()]
    place = np.searchsorted(curve.time, there, side="right") - 1
    at_risk = np.array([(lengths >= one).sum() for one in there], dtype=np.int64)
    known = {
        column: np.array([values[number] if number >= 0 else 1.0 for number in place])
        for column, values in (("surviving", curve.surviving), ("low", curve.low), ("high", curve.high))
    }
    known["low"] = np.where(known["surviving"] < 1, known["low"], clopper_pearson(at_risk, at_risk)[0])
    return pl.DataFrame(
        {
            "dimension": [dimension] * len(there),
            "group": [str(name)] * len(there),
            "length": there,
            "at_risk": at_risk,
            **known,
        },
        schema={column: CURVES[column] for column in _SHARES},
    ).fill_nan(None)


def _causes(rows: pl.DataFrame, unit: str) -> pl.DataFrame:
    """Share of all runs ended by each cause, at the milestones reached and at the longest length seen; most first."""
    kinds = pl.Schema({"cause": pl.String, "runs": pl.Int64, "length": pl.Float64, "share": pl.Float64})
    if not rows.height:
        return pl.DataFrame(schema=kinds)
    steps = _cause_steps(WHOLE, ALL, rows)
    longest = float(rows["length"].max())  # type: ignore[arg-type]
    asked = pl.DataFrame({"at": sorted({*(one for one in MILESTONES[unit] if one < longest), longest})})
    counts = rows.drop_nulls("ended").group_by(cause="ended").agg(runs=pl.len())
    return (
        counts.join(asked, how="cross")
        .sort("at")
        .join_asof(steps.sort("length"), left_on="at", right_on="length", by="cause", check_sortedness=False)
        .with_columns(pl.col("share").fill_null(0.0), length="at")
        .with_columns(whole=pl.col("share").max().over("cause"))
        .sort("whole", "cause", "length", descending=[True, False, False])
        .select("cause", pl.col("runs").cast(pl.Int64), "length", "share")
    )


def _cause_steps(dimension: str, name: Any, part: pl.DataFrame) -> pl.DataFrame:
    found = aalen_johansen(part["length"].to_numpy(), part["ended"].to_list())
    frames = [
        pl.DataFrame({"cause": str(cause), "length": found.time, "share": share})
        for cause, share in found.by_cause.items()
    ]
    empty = pl.DataFrame(schema={"cause": pl.String, "length": pl.Float64, "share": pl.Float64})
    return pl.concat([empty, *frames]).select(
        pl.lit(dimension).alias("dimension"), pl.lit(str(name)).alias("group"), "cause", "length", "share"
    )


def _compared(parts: list[tuple[str, Any, pl.DataFrame]], dimensions: tuple[str, ...]) -> pl.DataFrame:
    kinds = {"dimension": pl.String, "groups": pl.Int64, "chi_square": pl.Float64, "freedom": pl.Int64, "p": pl.Float64,
             "finding": pl.String}  # fmt: skip
    return pl.DataFrame([_difference(name, parts) for name in dimensions], schema=kinds, orient="row")


def _difference(dimension: str, parts: list[tuple[str, Any, pl.DataFrame]]) -> tuple[Any, ...]:
    own = [part for name, _, part in parts if name == dimension]
    stops = sum(int(part["stopped"].sum()) for part in own)
    if len(own) < 2 or stops < FEW:
        why = "one group only" if len(own) < 2 else "too few stops"
        return dimension, len(own), None, None, None, f"by {dimension}: {why}, nothing to compare"
    score, p = log_rank([part["length"].to_numpy() for part in own], [part["stopped"].to_numpy() for part in own])
    said = "they last differently" if p <= LEVEL else "chance explains the differences"
    shown = f"{p:.3f}" if p >= 0.001 else "below 0.001"
    return dimension, len(own), score, len(own) - 1, p, f"by {dimension}: {said} (log-rank p {shown})"


def _stacked(frames: list[pl.DataFrame], schema: pl.Schema) -> pl.DataFrame:
    return pl.concat([pl.DataFrame(schema=schema), *frames])

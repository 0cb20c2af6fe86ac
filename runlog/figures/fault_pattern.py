"""When faults came: more and more, fewer and fewer, or from one day on.

    trends(stretches, stops, reloads)      one row a scope (the plant, a machine) and clock (hours, reloads)
    points(stretches, stops, reloads)      one row a fault: cumulative faults against hours and reloads, to draw
    steps(stretches, stops)                machines of which the share of shifts with a fault changed, and when

Faults of one night hang together, so a shift with several counts with its first.
"""

from typing import Any, Final

import numpy as np
import polars as pl

from runlog.figures.judging import FALSE_DISCOVERY_RATE
from runlog.figures.tally import UNIT
from runlog.statistics.change_point import change_point
from runlog.statistics.counts import rate_ratio
from runlog.statistics.failure_times import laplace, military_handbook, power_law
from runlog.statistics.proportions import Floats, false_discovery_q

LEAST_FAULTS: Final = 5
"""With fewer shifts with a fault no trend is tested. Common practice."""
PLANT: Final = "all"
LEVEL: Final = 0.95

TRENDS: Final = pl.Schema(
    {
        "scope": pl.String(),
        "clock": pl.String(),
        "faults": pl.Int64(),
        "until": pl.Float64(),
        "laplace": pl.Float64(),
        "laplace_p": pl.Float64(),
        "handbook": pl.Float64(),
        "handbook_p": pl.Float64(),
        "slope": pl.Float64(),
        "slope_low": pl.Float64(),
        "slope_high": pl.Float64(),
        "q": pl.Float64(),
        "verdict": pl.String(),
    }
)
POINTS: Final = pl.Schema(
    {
        "scope": pl.String(),
        "machine": pl.String(),
        "at": pl.Datetime("us", "UTC"),
        "faults": pl.Int64(),
        "hours": pl.Float64(),
        "reloads": pl.Int64(),
        "first_of_shift": pl.Boolean(),
    }
)
STEPS: Final = pl.Schema(
    {
        "machine": pl.String(),
        "date": pl.Date(),
        "shift": pl.String(),
        "shifts_before": pl.Int64(),
        "shifts_with_fault_before": pl.Int64(),
        "shifts_after": pl.Int64(),
        "shifts_with_fault_after": pl.Int64(),
        "faults_before": pl.Int64(),
        "hours_before": pl.Float64(),
        "faults_after": pl.Int64(),
        "hours_after": pl.Float64(),
        "rate_before": pl.Float64(),
        "rate_after": pl.Float64(),
        "ratio": pl.Float64(),
        "ratio_low": pl.Float64(),
        "ratio_high": pl.Float64(),
        "p": pl.Float64(),
        "q": pl.Float64(),
        "verdict": pl.String(),
    }
)
CLOCKS: Final = ("hours", "reloads")
_PIECES: Final = 40
"""Of a fitted line."""


def points(stretches: pl.DataFrame, stops: pl.DataFrame, reloads: pl.DataFrame) -> pl.DataFrame:
    """Cumulative faults of the plant and of each machine.

    Parameters
    ----------
    stretches, stops : DataFrame
        From `fault_groups`, of the time looked at.
    reloads : DataFrame
        machine, start of every reload of that time.

    Returns
    -------
    DataFrame
        POINTS: how many faults, hours run and reloads begun there had been in the scope, the fault itself included.
    """
    first = pl.int_range(pl.len()).over(UNIT) == 0
    faults = stops.sort("machine", "start").select("machine", at="start", first_of_shift=first)
    drawn = pl.concat(
        [faults.sort("at", "machine").with_columns(scope=pl.lit(PLANT)), faults.with_columns(scope="machine")]
    ).with_columns(faults=pl.int_range(1, pl.len() + 1).over("scope"))
    ran, changed = _by_scope(stretches.select("machine", "start", "end")), _by_scope(reloads.select("machine", "start"))
    counted = [drawn.clear().with_columns(hours=pl.lit(0.0), reloads=pl.lit(0, pl.Int64))]
    for (scope,), own in drawn.partition_by("scope", as_dict=True, maintain_order=True).items():
        at = _microseconds(own["at"])
        hours = hours_until(ran.get(scope, stretches.clear()), at)
        begins = np.sort(_microseconds(changed.get(scope, reloads.clear())["start"]))
        begun = np.searchsorted(begins, at, side="right")
        counted.append(own.with_columns(hours=pl.Series(hours), reloads=pl.Series(begun, dtype=pl.Int64)))
    return pl.concat(counted).select(*POINTS).cast(POINTS)  # type: ignore[arg-type]


def _by_scope(rows: pl.DataFrame) -> dict[Any, pl.DataFrame]:
    """Rows of the plant and of each machine."""
    return {PLANT: rows, **{name: own for (name,), own in rows.partition_by("machine", as_dict=True).items()}}


def _microseconds(instants: pl.Series) -> Floats:
    return instants.dt.epoch("us").to_numpy().astype(np.float64)


def hours_until(stretches: pl.DataFrame, at: Floats) -> Floats:
    """Hours that machines had run by some instants [us since 1970]."""
    run = np.zeros(at.shape)
    for name, sign in (("start", 1.0), ("end", -1.0)):
        edge = np.sort(_microseconds(stretches[name]))
        passed = np.searchsorted(edge, at, side="right")
        run += sign * (passed * at - np.concatenate([[0.0], np.cumsum(edge)])[passed])
    return run / 3.6e9


def trends(drawn: pl.DataFrame, stretches: pl.DataFrame, reloads: pl.DataFrame) -> pl.DataFrame:
    """Whether faults become more or fewer, over hours run and over reloads.

    Parameters
    ----------
    drawn : DataFrame
        From `points`.
    stretches, reloads : DataFrame
        As there.

    Returns
    -------
    DataFrame
        TRENDS. `laplace` and `handbook` are the statistics of Laplace's and the Military Handbook's test with their
        two-sided p, `slope` the power law's with 95 % limits (1: neither more nor fewer). The smaller p, doubled for
        having looked twice, is judged at a false discovery rate of 5 % over all rows.
    """
    hours = dict(stretches.group_by("machine").agg(pl.col("hours").sum()).rows()) | {PLANT: stretches["hours"].sum()}
    count = dict(reloads.group_by("machine").len().rows()) | {PLANT: reloads.height}
    rows = [
        _trend(str(scope), clock, own.filter("first_of_shift")[clock].to_numpy(), float(until.get(scope, 0)))
        for (scope,), own in drawn.group_by("scope", maintain_order=True)
        for clock, until in zip(CLOCKS, (hours, count), strict=True)
    ]
    if not rows:
        return pl.DataFrame(schema=TRENDS)
    table = pl.DataFrame(rows, schema=TRENDS)
    tested = table["verdict"].is_null()
    q = pl.repeat(None, table.height, dtype=pl.Float64, eager=True).scatter(
        tested.arg_true(), false_discovery_q(np.minimum(1.0, 2 * _least_p(table.filter(tested))))
    )
    clearer = pl.col("laplace_p") <= pl.col("handbook_p")
    more = pl.when(clearer).then(pl.col("laplace") > 0).otherwise(pl.col("handbook") < 2 * pl.col("faults"))
    return table.with_columns(q=q).with_columns(
        verdict=pl.when(pl.col("verdict").is_not_null())
        .then("verdict")
        .when(pl.col("q") > FALSE_DISCOVERY_RATE)
        .then(pl.lit("steady"))
        .when(more)
        .then(pl.lit("more and more"))
        .otherwise(pl.lit("fewer and fewer"))
    )


def fitted(trends: pl.DataFrame) -> pl.DataFrame:
    """The power law beside a count that stays the same, to draw.

    Parameters
    ----------
    trends : DataFrame
        From `trends`.

    Returns
    -------
    DataFrame
        scope, clock, at (hours or reloads), law (shifts with a fault until then by the law), even (at an even rate);
        none where no law was fitted.
    """
    share = pl.col("step") / _PIECES
    return (
        trends.filter(pl.col("slope").is_not_null())
        .select("scope", "clock", "faults", "until", "slope", step=pl.lit(list(range(_PIECES + 1))))
        .explode("step", empty_as_null=False)
        .select(
            "scope",
            "clock",
            at=pl.col("until") * share,
            law=pl.col("faults") * share.pow(pl.col("slope")),
            even=pl.col("faults") * share,
        )
    )


def _least_p(table: pl.DataFrame) -> Floats:
    return table.select(pl.min_horizontal("laplace_p", "handbook_p")).to_series().to_numpy()


def _trend(scope: str, clock: str, times: Floats, until: float) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(TRENDS) | {"scope": scope, "clock": clock, "faults": times.size, "until": until}
    # A fault before the first reload, or in the last minute, lies at the edge of the time watched, not on it.
    times = np.clip(times, 0.5 if clock == "reloads" else 0.01, None)
    until = max(until, float(times.max(initial=0.0)))
    if np.unique(times).size < LEAST_FAULTS:
        return row | {"verdict": "too few to tell"}
    line, book = laplace(times, until), military_handbook(times, until)
    law = power_law(times, until * (1 + 1e-12), level=LEVEL)
    return row | {
        "laplace": line.statistic,
        "laplace_p": line.p,
        "handbook": book.statistic,
        "handbook_p": book.p,
        "slope": law.shape,
        "slope_low": law.shape_low,
        "slope_high": law.shape_high,
    }


def steps(rows: pl.DataFrame, order: pl.DataFrame) -> pl.DataFrame:
    """Machines of which the share of shifts with a fault changed from one day on.

    Parameters
    ----------
    rows : DataFrame
        UNIT, faults, chances (hours), one or more rows a shift.
    order : DataFrame
        UNIT, shift_start.

    Returns
    -------
    DataFrame
        STEPS, the clearest first: machines with at least LEAST_FAULTS shifts with a fault, tested by `change_point`
        over the shifts in which they ran, false discovery rate 5 % over these machines. `more since` or `fewer since`
        where the rates per hour before and after differ as well (exact ratio, 5 %), else `steady`. Rates per 100 h.
    """
    units = (
        rows.group_by(UNIT)
        .agg(pl.col("faults", "chances").sum())
        .join(order.select(*UNIT, "shift_start"), on=UNIT)
        .sort("machine", "shift_start")
    )
    told = [
        row
        for (machine,), own in units.group_by("machine", maintain_order=True)
        if (own["faults"] > 0).sum() >= LEAST_FAULTS and (row := _step(str(machine), own))
    ]
    if not told:
        return pl.DataFrame(schema=STEPS)
    table = pl.DataFrame(told, schema=STEPS).with_columns(q=pl.Series(false_discovery_q([row["p"] for row in told])))
    clear = (pl.col("q") <= FALSE_DISCOVERY_RATE) & pl.col("verdict").is_not_null()
    return table.with_columns(verdict=pl.when(clear).then("verdict").otherwise(pl.lit("steady"))).sort("q", "machine")


def _step(machine: str, own: pl.DataFrame) -> dict[str, Any] | None:
    found = change_point((own["faults"] > 0).to_numpy())
    if found is None:
        return None
    before, after = own.head(found.split), own.slice(found.split)
    sums = [(int(part["faults"].sum()), max(float(part["chances"].sum()), 1e-9)) for part in (before, after)]
    ratio = rate_ratio(*sums[1], *sums[0])
    row: dict[str, Any] = dict.fromkeys(STEPS)
    for when, part, (faults, hours) in zip(("before", "after"), (before, after), sums, strict=True):
        row |= {
            f"shifts_{when}": part.height,
            f"shifts_with_fault_{when}": int((part["faults"] > 0).sum()),
            f"faults_{when}": faults,
            f"hours_{when}": hours,
            f"rate_{when}": 100 * faults / hours,
        }
    more = row["rate_after"] > row["rate_before"]
    return row | {
        "machine": machine,
        "date": after["shift_date"][0],
        "shift": after["shift"][0],
        "ratio": ratio.ratio,
        "ratio_low": ratio.low,
        "ratio_high": ratio.high,
        "p": found.p,
        "verdict": None if ratio.p > FALSE_DISCOVERY_RATE else "more since" if more else "fewer since",
    }

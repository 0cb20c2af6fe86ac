"""What to fix first: the parts that a night would gain if a cause of stops were gone.

The rates of the causes of a machine add up to the rate of its stops (a gamma posterior parts into gamma posteriors, a
beta one into shares of a Dirichlet), so the night without a cause is the same formula with that cause's share taken
out: another cause may then end the run later, and the magazine still runs out.
"""

from datetime import datetime
from typing import Any, Final

import numpy as np
import polars as pl

from runlog.figures.forecast import nights_ahead
from runlog.figures.forecast_history import History
from runlog.figures.run_history import TOO_FEW_BARS, WINDOW
from runlog.statistics.hazards import FIRST_H, BetaChances, GammaRates, Stages
from runlog.statistics.nights import Bars, Nights, Setting, expected_parts, settings_of

FEW: Final = 4
"""Fewer stops than these are few to go by."""
_COURSES: Final = 12
"""Settings (pace, stock) over which the formula is averaged."""
_SEED: Final = 20261126
_LEAST: Final = 0.05
"""Parts a night; less is not worth a line."""

GAINS: Final = pl.Schema(
    {
        "machine": pl.String(),
        "job": pl.String(),
        "cause": pl.String(),
        "counted_by": pl.String(),
        "seen": pl.Int64(),
        "gained_parts": pl.Float64(),
    }
)
"""One row a machine and cause: night-ending stops seen of it on this machine (by the reload: with this job), and
parts that a night would gain on average without it; counted_by is hour, reload, or bars."""


def night_gains(nights: pl.DataFrame, runs: pl.DataFrame, history: History) -> pl.DataFrame:
    """What each cause costs each machine tonight.

    Parameters
    ----------
    nights : DataFrame
        NIGHTS.
    runs : DataFrame
        From `run_history` and `with_stock`; those of the history.
    history : History

    Returns
    -------
    DataFrame
        GAINS, the costliest first.
    """
    able = nights.filter(pl.col("parts_per_bar").is_not_null() & (pl.col("hours") > 0))
    if not able.height or not history.nights.size:
        return pl.DataFrame(schema=GAINS)
    known = history.before(able)
    told = np.flatnonzero(known.stops.known)
    rows, ahead = able[told], nights_ahead(able[told], known.of(told))
    setting = settings_of(ahead, np.random.default_rng(_SEED), _COURSES)
    stops = _recent(runs, rows["at"].max()).filter("stopped")  # type: ignore[arg-type]
    found = [
        row
        for number, one in enumerate(rows.iter_rows(named=True))
        for row in _gains_of(number, one, ahead, setting, stops)
    ]
    made = pl.DataFrame(found, schema=GAINS, orient="row")
    return made.filter(pl.col("gained_parts") >= _LEAST).sort("gained_parts", "machine", descending=[True, False])


def ranked(gains: pl.DataFrame) -> pl.DataFrame:
    """Causes of all machines together: cause, gained_parts (a night of all), seen, worst (machine), worst_parts."""
    return (
        gains.sort("gained_parts", descending=True)
        .group_by("cause", maintain_order=True)
        .agg(
            total=pl.col("gained_parts").sum(),
            seen=pl.col("seen").sum(),
            worst=pl.col("machine").first(),
            worst_parts=pl.col("gained_parts").first(),
        )
        .sort("total", descending=True)
        .rename({"total": "gained_parts"})
    )


def _recent(runs: pl.DataFrame, until: datetime) -> pl.DataFrame:
    """Runs that count before a night, as `History.last_before` picks them."""
    before = runs.filter(pl.col("window_start") < until)
    return before.filter(pl.col("window_start") > pl.col("window_start").max() - WINDOW)


def _gains_of(
    number: int, row: dict[str, Any], ahead: Nights, setting: Setting, stops: pl.DataFrame
) -> list[tuple[Any, ...]]:
    machine, job = row["machine"], row["job"]
    own = pl.col("machine") == machine
    hourly, soon = stops.filter(~pl.col("by_reload")), pl.col("working_h") < FIRST_H
    by_hour = _causes(hourly, own)
    by_reload = _causes(stops.filter("by_reload"), own & (pl.col("job") == job))
    failing = float(ahead.failures.alpha[number])
    less = np.concatenate([[0.0], np.zeros(by_hour.height), _shares(by_reload, failing)])
    stopping = Stages(
        *(
            _without(_in_stage(by_hour, _causes(hourly.filter(when), own)), each, by_reload.height)
            for when, each in ((soon, ahead.stops.first.of(number)), (~soon, ahead.stops.later.of(number)))
        )
    )
    broken = BetaChances(np.maximum(failing - less, 0.0), float(ahead.failures.beta[number]) + less)
    held = [_made(number, course, setting, stopping, broken, setting.parts) for course in range(_COURSES)]
    unlimited = np.minimum(setting.by_time, ahead.order[number])
    free = [_made(number, course, setting, stopping, broken, unlimited)[0] for course in range(_COURSES)]
    mean = np.mean(held, axis=0)
    gained = mean[1:] - mean[0]
    names = [*by_hour["cause"].to_list(), *by_reload["cause"].to_list()]
    seen = [*by_hour["own"].to_list(), *by_reload["own"].to_list()]
    kinds = ["hour"] * by_hour.height + ["reload"] * by_reload.height
    rows = [(machine, job, *some) for some in zip(names, kinds, seen, gained.tolist(), strict=True)]
    return [*rows, (machine, job, TOO_FEW_BARS, "bars", None, float(np.mean(free) - mean[0]))]


def _made(
    number: int, course: int, setting: Setting, stops: Stages, failures: BetaChances, parts: np.ndarray
) -> np.ndarray:
    stock = setting.stock
    here = Bars(
        *(np.asarray(each[number, 0]) for each in (stock.cycle_s, stock.reload_s, stock.per_bar)),
        left=np.asarray(stock.left[number, course if stock.left.shape[1] > 1 else 0]),
    )
    place = (number, course)
    return expected_parts(here, setting.pace[place], setting.working[place], parts[place], stops, failures)


def _in_stage(causes: pl.DataFrame, some: pl.DataFrame) -> pl.DataFrame:
    """Causes in their order, with what is theirs of one stage."""
    return causes.select("cause").join(some, on="cause", how="left", maintain_order="left").fill_null(0)


def _without(causes: pl.DataFrame, rates: GammaRates, others: int) -> GammaRates:
    """Rates of a stage as they are, then without each of its causes, then as they are again, `others` times."""
    shape = float(rates.shape)
    left = shape - np.concatenate([[0.0], _shares(causes, shape), np.zeros(others)])
    return GammaRates(np.maximum(left, 0.0), np.full(left.shape, float(rates.rate)))


def _causes(stops: pl.DataFrame, own: pl.Expr) -> pl.DataFrame:
    """Causes seen in the shop: cause, own (stops of it here), share (of the shop's)."""
    return (
        stops.group_by("cause")
        .agg(own=own.sum().cast(pl.Int64), shop=pl.len())
        .with_columns(share=pl.col("shop") / pl.col("shop").sum())
        .sort("cause")
    )


def _shares(causes: pl.DataFrame, shape: float) -> np.ndarray:
    """How much of a posterior's shape is each cause's: its own stops, and its share of what comes from the others."""
    own = causes["own"].to_numpy().astype(float)
    return own + max(shape - own.sum(), 0.0) * causes["share"].to_numpy()

"""All machines of a night together: parts with their range, the chance that every one gets through, and how many are
still at work hour by hour.

    shop = shop_forecast(nights, history)
    shop.parts, shop.low, shop.high, shop.hours

The courses are those that `forecast` draws for each machine, so that its averages add up. They are independent. What
strikes several at once, such as a power cut or one bad lot loaded everywhere, is not seen as such: then the true range
is wider, and the chance that all get through higher than their product.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from runlog.figures.forecast import DRAWS, LEVEL, foreseeable, played
from runlog.figures.forecast_history import History
from runlog.statistics.nights import Courses, narrowest

_STEP_H: Final = 0.25

HOURS: Final = pl.Schema({"machine": pl.String(), "at": pl.Datetime("us", "UTC"), "at_work": pl.Float64()})
"""Chance that a machine is still at work at an instant: it has neither stopped nor reached its planned end."""


@dataclass(frozen=True)
class ShopForecast:
    """A night of all machines that can be forecast.

    Attributes
    ----------
    machines : int
        How many they are.
    parts, low, high : float
        Parts of all on average, and the narrowest range that holds four nights of five.
    all_reach : float
        Chance that every machine reaches its planned end.
    hours : DataFrame
        HOURS, a quarter of an hour apart.
    """

    machines: int
    parts: float
    low: float
    high: float
    all_reach: float
    hours: pl.DataFrame


def shop_forecast(nights: pl.DataFrame, history: History, draws: int = DRAWS) -> ShopForecast | None:
    """Play the night of all machines; None where none can be forecast.

    Parameters
    ----------
    nights : DataFrame
        `forecast.NIGHTS`.
    history : History
    draws : int
        Times it is played.
    """
    total, through, machines, lines = np.zeros(draws), np.ones(draws, bool), 0, []
    for part, (rows, known) in enumerate(foreseeable(nights, history)):
        _, courses, _ = played(rows, known, draws, part)
        total += courses.parts.sum(axis=0)
        through &= courses.reached.all(axis=0)
        machines += rows.height
        lines.append(_hours(rows, courses))
    if not machines:
        return None
    low, high = narrowest(total[None, :], LEVEL)
    return ShopForecast(
        machines=machines,
        parts=float(total.mean()),
        low=float(low[0]),
        high=float(high[0]),
        all_reach=float(through.mean()),
        hours=pl.concat(lines),
    )


def _hours(rows: pl.DataFrame, courses: Courses) -> pl.DataFrame:
    """HOURS of some machines."""
    setting = courses.setting
    planned_end_h = np.broadcast_to(setting.worked_h / setting.working, courses.parts.shape)
    end_h = np.where(np.isnan(courses.stopped_h), planned_end_h, courses.stopped_h)
    steps = np.arange(0.0, float(rows["hours"].max()) + _STEP_H / 2, _STEP_H)  # type: ignore[arg-type]
    at_work = (end_h[:, :, None] >= steps).mean(axis=1)
    at = pl.col("at") + pl.duration(microseconds=(pl.col("hour") * 3.6e9).round())
    return (
        rows.select("machine", "at", "hours")
        .with_columns(hour=pl.lit(steps.tolist()), at_work=pl.Series(at_work.tolist()))
        .explode("hour", "at_work")
        .filter(pl.col("hour") <= pl.col("hours"))
        .select("machine", at=at, at_work="at_work")
        .select(pl.col(name).cast(kind) for name, kind in HOURS.items())
    )

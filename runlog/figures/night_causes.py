"""What to fix first: the parts that a night would gain if a cause of stops were gone.

The rates of the causes of a machine add up to the rate of its stops (a gamma posterior parts into gamma posteriors, a
beta one into shares of a Dirichlet), so the night without a cause is the same formula with that cause's share taken
out: another cause may then end the run later, and the magazine still runs out.
"""

from datetime import datetime
from typing import Any, Final

import numpy as np
import polars as pl

from runlog.figures.forecast import foreseeable, nights_ahead
from runlog.figures.forecast_history import History
from runlog.figures.run_history import TOO_FEW_BARS, WINDOW
from runlog.statistics.hazards import FIRST_H, BetaChances, GammaRates, Stages
from runlog.statistics.nights import Bars, Nights, Setting, expected_parts, settings_of
from runlog.statistics.proportions import Floats

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


class _Seen:
    """Stops counted by cause: of each machine in the first hour and later, of each machine and job by the reload."""

    def __init__(self, stops: pl.DataFrame) -> None:
        hourly, failing = stops.filter(~pl.col("by_reload")), stops.filter("by_reload")
        self.hourly = hourly["cause"].unique().sort().to_list()
        self.failing = failing["cause"].unique().sort().to_list()
        stages = [hourly.filter(pl.col("working_h") < FIRST_H), hourly.filter(pl.col("working_h") >= FIRST_H)]
        self._machines = [_counted(each, ("machine",), self.hourly) for each in stages]
        self._pairs = _counted(failing, ("machine", "job"), self.failing)
        self.by_machine = [np.sum(list(each.values()) or [self._none(self.hourly)], axis=0) for each in self._machines]
        self.by_pair = np.sum(list(self._pairs.values()) or [self._none(self.failing)], axis=0)

    def machine(self, name: str) -> Floats:
        """Stops by the hour of a machine: two stages by causes."""
        return np.stack([each.get((name,), self._none(self.hourly)) for each in self._machines])

    def pair(self, machine: str, job: str) -> Floats:
        """Failed reloads of a machine and job by cause."""
        return self._pairs.get((machine, job), self._none(self.failing))

    @staticmethod
    def _none(causes: list[str]) -> Floats:
        return np.zeros(len(causes))


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
    able = next(foreseeable(nights, history, at_once=max(nights.height, 1)), None)
    if able is None:
        return pl.DataFrame(schema=GAINS)
    rows, ahead = able[0], nights_ahead(*able)
    setting = settings_of(ahead, np.random.default_rng(_SEED), _COURSES)
    stopped = _recent(runs, rows["at"].max()).filter("stopped")  # type: ignore[arg-type]
    seen = _Seen(stopped.with_columns(pl.col("cause").fill_null("unexplained")))
    found = [
        row
        for number, one in enumerate(rows.iter_rows(named=True))
        for row in _gains_of(number, one, ahead, setting, seen)
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


def _gains_of(number: int, row: dict[str, Any], ahead: Nights, setting: Setting, seen: _Seen) -> list[tuple[Any, ...]]:
    """Rows of GAINS of one night: as it is against without each cause, and against a magazine without end."""
    here, there = seen.machine(row["machine"]), seen.pair(row["machine"], row["job"])
    failing = float(ahead.failures.alpha[number])
    less = np.concatenate([[0.0], np.zeros(len(seen.hourly)), _shares(there, seen.by_pair, failing)])
    stages = zip(here, seen.by_machine, (ahead.stops.first, ahead.stops.later), strict=True)
    stopping = Stages(*(_without(own, shop, each.of(number), len(seen.failing)) for own, shop, each in stages))
    broken = BetaChances(np.maximum(failing - less, 0.0), float(ahead.failures.beta[number]) + less)
    unlimited = np.minimum(setting.by_time, ahead.order[number])
    courses = range(_COURSES)
    made = [_made(number, one, setting, stopping, broken, setting.parts) for one in courses]
    mean = np.mean(made, axis=0)
    as_it_is = (stopping.of(slice(1)), broken.of(slice(1)))
    bars_end_it = setting.parts[number] < unlimited[number]
    free = np.mean(
        [_made(number, one, setting, *as_it_is, unlimited)[0] if bars_end_it[one] else made[one][0] for one in courses]
    )
    counts = [*here.sum(0).tolist(), *there.tolist()]
    kinds = ["hour"] * len(seen.hourly) + ["reload"] * len(seen.failing)
    names = [*seen.hourly, *seen.failing]
    found = zip(names, kinds, map(int, counts), (mean[1:] - mean[0]).tolist(), strict=True)
    return [
        *((row["machine"], row["job"], *one) for one in found),
        (row["machine"], row["job"], TOO_FEW_BARS, "bars", None, float(free - mean[0])),
    ]


def _made(number: int, course: int, setting: Setting, stops: Stages, failures: BetaChances, parts: Floats) -> Floats:
    stock = setting.stock
    here = Bars(
        *(np.asarray(each[number, 0]) for each in (stock.cycle_s, stock.reload_s, stock.per_bar)),
        left=np.asarray(stock.left[number, course if stock.left.shape[1] > 1 else 0]),
    )
    place = (number, course)
    return expected_parts(here, setting.pace[place], setting.working[place], parts[place], stops, failures)


def _without(own: Floats, shop: Floats, rates: GammaRates, others: int) -> GammaRates:
    """Rates of a stage as they are, then without each of its causes, then as they are again, `others` times."""
    shape = float(rates.shape)
    left = shape - np.concatenate([[0.0], _shares(own, shop, shape), np.zeros(others)])
    return GammaRates(np.maximum(left, 0.0), np.full(left.shape, float(rates.rate)))


def _shares(own: Floats, shop: Floats, shape: float) -> Floats:
    """How much of a posterior's shape is each cause's: its own stops, and its share of what comes from the others."""
    return own + max(shape - own.sum(), 0.0) * shop / max(shop.sum(), 1.0)


def _counted(stops: pl.DataFrame, by: tuple[str, ...], causes: list[str]) -> dict[tuple[str, ...], Floats]:
    """Stops of each group in the order of the causes."""
    place = {name: n for n, name in enumerate(causes)}
    found: dict[tuple[str, ...], Floats] = {}
    for *group, cause, count in stops.group_by(*by, "cause").agg(pl.len()).iter_rows():
        found.setdefault(tuple(group), np.zeros(len(causes)))[place[cause]] = count
    return found

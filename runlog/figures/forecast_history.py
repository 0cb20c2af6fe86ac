"""What history knew of each machine when a night began: stops and hours, failed reloads and reloads, the pace.

    known = History(runs)                                 # from `run_history`, with its stock from `with_stock`
    nights = known.before(rows)                           # rows: machine, job, at; what was known before `at` only

Counts are kept as running sums over nights, so that what was known on any evening is a difference of two of them: the
back-test asks for every evening there was, and costs no more than tonight.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from runlog.figures.run_history import OUT_OF_BARS, WINDOW
from runlog.statistics.hazards import FIRST_H, BetaChances, Stages, beta_posterior, gamma_posterior
from runlog.statistics.proportions import Floats

Ints = NDArray[np.int64]

VALUES: Final = 64
"""So many past nights, evenly picked, stand for the pace."""
ENOUGH: Final = 10
"""Fewer nights of one job say less of its pace than those of the machine, or of the shop."""
MAGAZINE: Final = "magazine"
BASES: Final = ("machine and job", "machine", "shop", "plan")
"""Whose pace it is; `plan` where nobody ran yet."""


def with_stock(runs: pl.DataFrame, plans: pl.LazyFrame) -> pl.DataFrame:
    """Add the stock of runs that began with their window: bars, bars_basis, parts_left, order_left, and bars_missing.

    bars_missing is by how many bars a magazine that was taken as full fell short; null where the night did not show it.
    """
    stock = plans.select("machine", "bars", "bars_basis", "parts_left", "order_left", start="shift_start").collect()
    held = pl.col("bars") * pl.col("parts_per_bar") + pl.col("parts_left").fill_null(pl.col("parts_per_bar") // 2)
    short = ((held - pl.col("parts")) / pl.col("parts_per_bar")).round().clip(lower_bound=0)
    joined = runs.join(stock.unique(["machine", "start"]), on=["machine", "start"], how="left")
    return joined.with_columns(
        order_left=shared_order("window_start"),
        bars_missing=pl.when(pl.col("bars_basis") == MAGAZINE).then(
            pl.when(pl.col("ended_by") == OUT_OF_BARS)
            .then(pl.min_horizontal(short, pl.col("bars").cast(pl.Float64)))
            .when(pl.col("ended_by") == "window")
            .then(0.0)
        ),
    )


def shared_order(at: str) -> pl.Expr:
    """Parts that each machine makes of what an order still wants, where several are on it at once: by their pace.

    Null where the order was made up already: a machine that runs on is not stopped by it.
    """
    speed = 1 / (pl.col("cycle_s") + pl.col("reload_s") / pl.col("parts_per_bar"))
    share = speed / speed.filter(pl.col("order_left") > 0).sum().over(at, "job")
    wanted = pl.when(pl.col("order_left") > 0).then("order_left")
    return (wanted * pl.when(share.is_null()).then(1.0).otherwise(share)).round().cast(pl.Int64)


@dataclass(frozen=True)
class Known:
    """What was known of each row when it began.

    Attributes
    ----------
    stops : Stages
        Not known where the shop had no hour yet: nothing can be said.
    failures : BetaChances
    pace, working : ndarray
        VALUES a row.
    basis : ndarray of int
        Index into BASES: whose pace it is.
    paced : ndarray
        Nights that the pace was seen in; 0 where it is that of the plan.
    missing : ndarray
        VALUES a row; bars that were not there.
    nights, stopped : ndarray
        Runs seen of the machine, and how many of them a stop ended.
    """

    stops: Stages
    failures: BetaChances
    pace: Floats
    working: Floats
    basis: Ints
    paced: Floats
    missing: Floats
    nights: Floats
    stopped: Floats

    def of(self, rows: Ints) -> "Known":
        """What was known of some of the rows."""
        return Known(
            stops=self.stops.of(rows),
            failures=self.failures.of(rows),
            pace=self.pace[rows],
            working=self.working[rows],
            basis=self.basis[rows],
            paced=self.paced[rows],
            missing=self.missing[rows],
            nights=self.nights[rows],
            stopped=self.stopped[rows],
        )


@dataclass(frozen=True)
class _Sums:
    """Running sums over nights; row n: before the n-th night."""

    of: Floats

    @classmethod
    def over(cls, night: Ints, unit: Ints, amount: Floats, shape: tuple[int, int]) -> "_Sums":
        grid = np.zeros((shape[0] + 1, shape[1]))
        np.add.at(grid, (night + 1, unit), amount)
        return cls(grid.cumsum(0))

    def between(self, first: Ints, last: Ints) -> Floats:
        return self.of[last] - self.of[first]


@dataclass(frozen=True)
class _Pool:
    """Values by unit and night, so that those of a unit before a night lie side by side."""

    key: Ints
    values: Floats
    nights: int

    @classmethod
    def of(cls, unit: Ints, night: Ints, values: Floats, nights: int) -> "_Pool":
        order = np.argsort(unit * (nights + 1) + night, kind="stable")
        return cls((unit * (nights + 1) + night)[order], values[order], nights)

    def reach(self, unit: Ints, first: Ints, last: Ints) -> tuple[Ints, Ints]:
        base = unit * (self.nights + 1)
        return np.searchsorted(self.key, base + first), np.searchsorted(self.key, base + last)


class History:
    """Past runs as running sums and pools.

    Parameters
    ----------
    runs : DataFrame
        From `run_history` and `with_stock`.
    """

    def __init__(self, runs: pl.DataFrame) -> None:
        self.nights = np.unique(runs["window_start"].to_numpy())
        self.machines = runs["machine"].unique().sort().to_list()
        self.pairs = runs.select("machine", "job").unique().sort("machine", "job").rows()
        night = np.searchsorted(self.nights, runs["window_start"].to_numpy())
        machine, pair = self._codes(runs)
        failed = runs["by_reload"].to_numpy()
        by_hour = (runs["stopped"].to_numpy() & ~failed).astype(float)
        tried = np.maximum(runs["reloads"].to_numpy().astype(float), failed)
        by_machine, by_pair = (len(self.nights), len(self.machines)), (len(self.nights), len(self.pairs))
        worked = runs["working_h"].to_numpy()
        soon = worked < FIRST_H
        self._stages = [
            (_Sums.over(night, machine, by_hour * ended, by_machine), _Sums.over(night, machine, hours, by_machine))
            for ended, hours in ((soon, np.minimum(worked, FIRST_H)), (~soon, np.maximum(worked - FIRST_H, 0.0)))
        ]
        self._runs = _Sums.over(night, machine, np.ones(runs.height), by_machine)
        self._ended = _Sums.over(night, machine, runs["stopped"].to_numpy().astype(float), by_machine)
        self._failed = _Sums.over(night, pair, failed.astype(float), by_pair)
        self._tried = _Sums.over(night, pair, tried, by_pair)
        self._paces = self._pools(runs, night, machine, pair)
        self._missing = self._pool_of_missing(runs, night, machine)

    def _codes(self, rows: pl.DataFrame) -> tuple[Ints, Ints]:
        """Numbers of machine and of machine and job; one more than there are where history has none."""
        machines = {name: n for n, name in enumerate(self.machines)}
        pairs = pl.DataFrame(self.pairs, schema=["machine", "job"], orient="row").with_row_index("pair")
        numbered = rows.select("machine", "job").join(
            pairs.cast({"machine": pl.String, "job": pl.String}),
            on=["machine", "job"],
            how="left",
            maintain_order="left",
        )
        machine = rows["machine"].replace_strict(machines, default=len(machines), return_dtype=pl.Int64)
        return machine.to_numpy(), numbered["pair"].cast(pl.Int64).fill_null(len(self.pairs)).to_numpy()

    def _pools(self, runs: pl.DataFrame, night: Ints, machine: Ints, pair: Ints) -> list[_Pool]:
        told = runs["pace"].is_not_null().to_numpy() & (runs["clock_h"] > 0).to_numpy()
        both = np.stack(
            [runs["pace"].to_numpy(), np.clip((runs["working_h"] / runs["clock_h"]).to_numpy(), 0.01, 1.0)], axis=1
        )[told]
        units = (pair[told], machine[told], np.zeros(int(told.sum()), np.int64))
        return [_Pool.of(unit, night[told], both, len(self.nights)) for unit in units]

    def _pool_of_missing(self, runs: pl.DataFrame, night: Ints, machine: Ints) -> _Pool:
        told = runs["bars_missing"].is_not_null().to_numpy()
        return _Pool.of(machine[told], night[told], runs["bars_missing"].to_numpy()[told], len(self.nights))

    def last_before(self, at: pl.Series) -> tuple[Ints, Ints]:
        """First and last night (excluded) that count on an evening: those of the 13 weeks up to the last before it."""
        last = np.searchsorted(self.nights, at.to_numpy(), side="left")
        since = self.nights[np.maximum(last - 1, 0)] - np.timedelta64(WINDOW)
        return np.searchsorted(self.nights, since, side="right"), last

    def before(self, rows: pl.DataFrame) -> Known:
        """What was known when each row began.

        Parameters
        ----------
        rows : DataFrame
            machine, job, at (when the night begins), bars_basis.
        """
        first, last = self.last_before(rows["at"])
        machine, pair = self._codes(rows)
        evenings, which = np.unique(np.stack([first, last]), axis=1, return_inverse=True)
        stops = self._posterior_of_stops(*evenings)
        failures = self._posterior_of_failures(*evenings)
        picked, basis, paced = self._pace(machine, pair, first, last)
        here = (which, np.minimum(machine, len(self.machines)))
        there = (which, np.minimum(pair, len(self.pairs)))
        return Known(
            stops=stops.of(here),
            failures=failures.of(there),
            pace=picked[..., 0],
            working=picked[..., 1],
            basis=basis,
            paced=paced,
            missing=self._missing_bars(rows, machine, first, last),
            nights=_padded(self._runs.between(*evenings))[here],
            stopped=_padded(self._ended.between(*evenings))[here],
        )

    def _posterior_of_stops(self, first: Ints, last: Ints) -> Stages:
        return Stages(
            *(
                gamma_posterior(_padded(stops.between(first, last)), _padded(hours.between(first, last)))
                for stops, hours in self._stages
            )
        )

    def _posterior_of_failures(self, first: Ints, last: Ints) -> BetaChances:
        return beta_posterior(_padded(self._failed.between(first, last)), _padded(self._tried.between(first, last)))

    def _pace(self, machine: Ints, pair: Ints, first: Ints, last: Ints) -> tuple[Floats, Ints, Floats]:
        unit = (pair, machine, np.zeros(machine.size, np.int64))
        basis = np.full(machine.size, len(BASES) - 1)
        paced = np.zeros(machine.size)
        picked = np.ones((machine.size, VALUES, 2))
        for level in (2, 1, 0):
            low, high = self._paces[level].reach(unit[level], first, last)
            enough = high - low >= (1 if level == 2 else ENOUGH)
            basis = np.where(enough, level, basis)
            paced = np.where(enough, high - low, paced)
            picked[enough] = self._paces[level].values[_spread(low[enough], high[enough])]
        return picked, basis, paced

    def _missing_bars(self, rows: pl.DataFrame, machine: Ints, first: Ints, last: Ints) -> Floats:
        low, high = self._missing.reach(machine, first, last)
        told = (high > low) & (rows["bars_basis"] == MAGAZINE).fill_null(False).to_numpy()
        found = np.zeros((machine.size, VALUES))
        found[told] = self._missing.values[_spread(low[told], high[told])]
        return found


def _padded(counts: Floats) -> Floats:
    """With one unit more that nothing is known of."""
    return np.pad(counts, ((0, 0), (0, 1)))


def _spread(low: Ints, high: Ints) -> Ints:
    """VALUES places spread evenly over each stretch."""
    steps = (np.arange(VALUES) + 0.5) / VALUES
    return low[:, None] + np.floor(steps * (high - low)[:, None]).astype(np.int64)

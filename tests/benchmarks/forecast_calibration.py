"""How good forecasts of a night are: `python tests/benchmarks/forecast_calibration.py`.

Every night of invented shops is forecast from what came before it. The first lines are shops whose machines were played
out by the simulator, their truth taken as the log. The others are invented here, by arithmetic of their own, to try
what the forecast takes for granted: machines that are alike or differ, bars that end the night, little history, and
shops that break its rules: nights that are good or bad all through, stops that come mostly in the first hour, rates
that rise.

Wanted: the 80 % ranges hold 75 to 85 % of nights, and the Brier score is less than those of the naive forecasts.
"""

import sys
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from runlog.figures.forecast_check import forecast_check
from runlog.figures.forecast_history import History, with_stock
from runlog.figures.run_history import run_history
from runlog.simulator import play, tables
from runlog.simulator.shop import FORMATS
from runlog.simulator.sitefile import site_toml
from runlog.site import parse_site

MACHINES, NIGHTS, HOURS = 20, 91, 8.0
CYCLE_S, RELOAD_S, PER_BAR = 100.0, 45.0, 25
START = datetime(2026, 3, 2, 21, tzinfo=UTC)
SEEDS = (1, 2, 3, 4)
_PARTS = 400


def played(seed: int, weeks: int = 13, machines: int = 6) -> pl.DataFrame:
    """Runs of a shop of the simulator, as `run_history` gives them."""
    lathes = play(date(2026, 6, 1), weeks, seed, machines, None)
    facts = {name: frame.lazy() for name, frame in tables.truth(lathes).items()}
    return with_stock(run_history(facts, parse_site(site_toml(machines, FORMATS))), facts["shift_plans"])


def invented(
    seed: int,
    *,
    differ: float = 0.5,
    bars: int = 14,
    nights: int = NIGHTS,
    bad_nights: float = 0.0,
    early: float = 0.0,
    rising: float = 0.0,
    stops_per_h: float = 0.03,
    failures: float = 0.006,
) -> pl.DataFrame:
    """Runs of a shop invented here, in the columns of `run_history` and `with_stock`.

    Parameters
    ----------
    differ : float
        Coefficient of variation of the rates of its machines.
    bars : int
        In the magazine; 11 last a night.
    bad_nights : float
        Coefficient of variation of rates between the nights of a machine.
    early : float
        Chance that a night stops within its first hour, beside the constant rate.
    rising : float
        By how many times rates rise from the first night to the last.
    """
    rng = np.random.default_rng(seed)
    shape = (MACHINES, nights)

    def spread(by: float, size: tuple[int, ...]) -> np.ndarray:
        return rng.gamma(1 / by**2, by**2, size) if by else np.ones(size)

    trend = 1 + rising * np.arange(nights) / nights
    worse = spread(differ, (MACHINES, 1)) * spread(bad_nights, shape) * trend
    chance = np.minimum(failures * spread(differ, (MACHINES, 1)) * trend, 1.0) * np.ones(shape)
    stop_h = rng.exponential(1, shape) / (stops_per_h * worse)
    stop_h = np.where(rng.random(shape) < early, np.minimum(stop_h, rng.random(shape)), stop_h)
    pace = rng.normal(1.0, 0.015, shape)
    left = rng.integers(0, PER_BAR, shape)
    part = np.arange(1, _PARTS + 1)
    reloads = np.ceil(np.maximum(part - left[..., None], 0) / PER_BAR)
    done_h = pace[..., None] * (part * CYCLE_S + reloads * RELOAD_S - rng.random(shape)[..., None] * CYCLE_S) / 3600
    fails_at = np.where(chance > 0, rng.geometric(np.maximum(chance, 1e-12)), np.inf)
    by_time = (done_h <= HOURS).sum(-1)
    by_stop = (done_h <= stop_h[..., None]).sum(-1)
    by_bars = left + bars * PER_BAR
    by_failure = left + (fails_at - 1) * PER_BAR
    made = np.minimum(np.minimum(by_time, by_stop), np.minimum(by_bars, by_failure)).astype(np.int64)

    def when(parts: np.ndarray) -> np.ndarray:
        place = np.clip(parts, 1, _PARTS).astype(np.int64) - 1
        return np.where(parts > 0, np.take_along_axis(done_h, place[..., None], -1)[..., 0], 0.0)

    ends = np.stack([np.full(shape, HOURS), stop_h, when(by_failure), when(by_bars)])
    order = np.where(np.stack([by_time, by_stop, by_failure, by_bars]) <= _PARTS, ends, np.inf)
    which = order.argmin(0)
    end_h = np.take_along_axis(order, which[None], 0)[0]
    return _frame(which, end_h, made, left, bars)


def _frame(which: np.ndarray, end_h: np.ndarray, made: np.ndarray, left: np.ndarray, bars: int) -> pl.DataFrame:
    machine, night = np.indices(which.shape)
    start = pl.Series([START + timedelta(days=int(n)) for n in night.ravel()], dtype=pl.Datetime("us", "UTC"))
    ended = np.array(["window", "stop", "stop", "out of bars"])[which.ravel()]
    reloads = np.ceil(np.maximum(made - left, 0) / PER_BAR) + (which == 2)
    hours = np.maximum(end_h, 1e-3).ravel()
    planned_s = made.ravel() * CYCLE_S + reloads.ravel() * RELOAD_S
    frame = pl.DataFrame(
        {
            "machine": [f"T{n + 1:02}" for n in machine.ravel()],
            "window_start": start,
            "start": start,
            "ended_by": ended,
            "stopped": ended == "stop",
            "by_reload": which.ravel() == 2,
            "cause": np.array([None, "tool broken", "misfeed", "magazine empty"], object)[which.ravel()].tolist(),
            "parts": made.ravel(),
            "reloads": reloads.ravel().astype(np.int64),
            "clock_h": hours,
            "working_h": hours,
            "parts_left": left.ravel(),
            "pace": hours * 3600 / np.maximum(planned_s, 1e-9),
        }
    )
    whole = pl.col("ended_by").is_in(["window", "out of bars"]) & (pl.col("parts") >= 20)
    return frame.with_columns(
        job=pl.lit("pin"),
        until=pl.col("start") + pl.duration(hours=HOURS),
        cycle_s=CYCLE_S,
        reload_s=RELOAD_S,
        parts_per_bar=PER_BAR,
        bars=pl.lit(bars, pl.Int64),
        bars_basis=pl.lit("noted"),
        order_left=pl.lit(None, pl.Int64),
        bars_missing=pl.lit(None, pl.Float64),
        pace=pl.when(whole).then("pace"),
    ).cast({"parts_per_bar": pl.Int64})


SHOPS: dict[str, dict[str, Any]] = {
    "machines alike": {"differ": 0.0},
    "machines differ": {"differ": 0.5},
    "machines differ much": {"differ": 1.0},
    "bars end the night": {"bars": 8},
    "three weeks only": {"nights": 21},
    "hardly ever stops": {"stops_per_h": 0.004, "failures": 0.0005},
    "stops most nights": {"stops_per_h": 0.15, "failures": 0.02},
    "bad nights (rule broken)": {"bad_nights": 1.0},
    "a fifth stops in the first hour (rule broken)": {"early": 0.2},
    "rates treble in 13 weeks (rule broken)": {"rising": 2.0},
}


def line(name: str, shops: list[pl.DataFrame]) -> str:
    """One line of the table: means over shops, weighted by nights."""
    found = pl.concat([forecast_check(runs, History(runs)).summary for runs in shops])
    weight = pl.col("nights") / pl.col("nights").sum()
    one = found.select(pl.col("nights").sum(), *((pl.col(n) * weight).sum() for n in found.columns[2:])).row(
        0, named=True
    )
    beaten = one["brier"] < min(one["brier_shop_share"], one["brier_own_share"], one["brier_as_last_night"])
    return (
        f"| {name} | {one['nights']} | {100 * one['coverage']:.1f} % | {100 * one['expected_coverage']:.1f} % |"
        f" {one['brier']:.4f} | {one['brier_shop_share']:.4f} | {one['brier_own_share']:.4f} |"
        f" {one['brier_as_last_night']:.4f} | {'yes' if beaten else 'no'} |"
    )


def table(seeds: tuple[int, ...] = SEEDS) -> str:
    """The table in Markdown."""
    head = [
        "| shops | nights | 80 % ranges held | they said | Brier | shop's share | own share | last night | beats all |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- |",
    ]
    lines = [line("simulator, 6 machines, 13 weeks", [played(seed) for seed in seeds])]
    lines += [line(name, [invented(seed, **how) for seed in seeds]) for name, how in SHOPS.items()]
    return "\n".join(head + lines)


if __name__ == "__main__":
    sys.stdout.write(f"{datetime.now(UTC):%Y-%m-%d}, {len(SEEDS)} shops a line.\n\n{table()}\n")

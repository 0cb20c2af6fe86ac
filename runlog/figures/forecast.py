"""How far a night will get: chance to reach its planned end, parts, first stop, bars worth loading.

    rows = forecasts(nights, History(runs))

The same function forecasts tonight and, in the back-test, every night there was from what came before it.
"""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import polars as pl

from runlog.figures.forecast_history import BASES, History, Known
from runlog.statistics.nights import HOUR_S, Courses, Nights, chance_range, narrowest, play, reach_chances
from runlog.statistics.proportions import Floats

DRAWS: Final = 2000
LEVEL: Final = 0.8
"""Share of nights that the range of parts is to hold."""
ENOUGH_BARS: Final = 0.9
"""So many nights would not use more bars than are called worth loading."""
_SEED: Final = 20261125
_AT_ONCE: Final = 500
"""Rows played at once: bounds the memory."""

NIGHTS: Final = pl.Schema(
    {
        "machine": pl.String(),
        "job": pl.String(),
        "at": pl.Datetime("us", "UTC"),
        "hours": pl.Float64(),
        "cycle_s": pl.Float64(),
        "reload_s": pl.Float64(),
        "parts_per_bar": pl.Int64(),
        "parts_left": pl.Int64(),
        "bars": pl.Int64(),
        "bars_basis": pl.String(),
        "order_left": pl.Int64(),
        "good_seen": pl.Int64(),
        "bad_seen": pl.Int64(),
    }
)
"""A night ahead: `at` its start, `hours` to the window's end [h], stock as far as known; null bars, order: no limit.
Good and bad parts seen of that job on that machine; null where quality was not measured."""

FORECASTS: Final = pl.Schema(
    {
        "reach": pl.Float64(),
        "reach_low": pl.Float64(),
        "reach_high": pl.Float64(),
        "still_running": pl.Float64(),
        "parts": pl.Float64(),
        "parts_low": pl.Float64(),
        "parts_high": pl.Float64(),
        "range_holds": pl.Float64(),
        "good_parts": pl.Float64(),
        "good_low": pl.Float64(),
        "good_high": pl.Float64(),
        "planned_end_h": pl.Float64(),
        "planned_end_parts": pl.Float64(),
        "planned_end_by": pl.String(),
        "bars_out_h": pl.Float64(),
        "first_stop_h": pl.Float64(),
        "bars_worth": pl.Int64(),
        "history_runs": pl.Int64(),
        "history_stops": pl.Int64(),
        "pace": pl.Float64(),
        "pace_basis": pl.String(),
    }
)
"""Chance to reach the planned end (window end, last bar or order, whichever is first) with its 80 % limits, chance to
be running at the window's end, parts on average and the narrowest range that holds 80 % of nights, the share it does
hold, the same of good parts (null: quality was not measured), when and with how many parts the planned end comes
(median) and what it is, when the bars would be used up (median, null where they do not limit), when the stop comes if
one does (mean), all in hours after the start, bars worth loading, runs of this machine in the history and stops among
them, pace as clock time over planned time. All null where there is no history or no plan to go by."""


RANGES: Final = ("reach", "parts_low", "parts_high", "range_holds")
"""Of FORECASTS, what a check of past nights asks for."""


def forecasts(nights: pl.DataFrame, history: History, draws: int = DRAWS, *, ranges_only: bool = False) -> pl.DataFrame:
    """Forecast nights, each from what was known before it began.

    Parameters
    ----------
    nights : DataFrame
        NIGHTS; columns beside it stay.
    history : History
    draws : int
        Times each night is played.
    ranges_only : bool
        Only RANGES, much faster.

    Returns
    -------
    DataFrame
        The rows with FORECASTS.
    """
    wanted = RANGES if ranges_only else tuple(FORECASTS)
    numbered = nights.with_row_index("_row")
    parts = enumerate(foreseeable(numbered, history))
    found = [_forecast(rows, known, part, draws, ranges_only) for part, (rows, known) in parts]
    if not found:
        return nights.with_columns(**{name: pl.lit(None, FORECASTS[name]) for name in wanted})
    return numbered.join(pl.concat(found), on="_row", how="left", maintain_order="left").drop("_row")


def foreseeable(
    nights: pl.DataFrame, history: History, at_once: int = _AT_ONCE
) -> Iterator[tuple[pl.DataFrame, Known]]:
    """Nights that have a plan and a history to go by, with what it knows of them, so many at once."""
    able = nights.filter(pl.col("parts_per_bar").is_not_null() & (pl.col("hours") > 0))
    if not able.height or not history.nights.size:
        return
    known = history.before(able)
    told = np.flatnonzero(known.stops.known)
    for some in np.array_split(told, -(-told.size // at_once)) if told.size else []:
        yield able[some], known.of(some)


def played(rows: pl.DataFrame, known: Known, draws: int, part: int) -> tuple[Nights, Courses, np.random.Generator]:
    """How a part of the nights goes, drawn the same way whoever asks; the generator is where it stands then."""
    rng = np.random.default_rng(_SEED + part)
    ahead = nights_ahead(rows, known)
    return ahead, play(ahead, rng, draws), rng


def nights_ahead(rows: pl.DataFrame, known: Known) -> Nights:
    """Rows of NIGHTS with what history knew, as the statistics take them."""
    stock = rows.select(
        "hours", "cycle_s", "reload_s", pl.col("parts_per_bar", "parts_left", "bars", "order_left").cast(pl.Float64)
    )
    return Nights(
        hours=stock["hours"].to_numpy(),
        cycle_s=stock["cycle_s"].to_numpy(),
        reload_s=stock["reload_s"].to_numpy(),
        per_bar=stock["parts_per_bar"].to_numpy(),
        left=stock["parts_left"].fill_null(np.nan).to_numpy(),
        bars=stock["bars"].fill_null(np.inf).to_numpy(),
        order=stock["order_left"].fill_null(np.inf).to_numpy(),
        stops=known.stops,
        failures=known.failures,
        pace=known.pace,
        working=known.working,
        missing=known.missing,
        paced=known.paced,
    )


def _forecast(rows: pl.DataFrame, known: Known, part: int, draws: int, ranges_only: bool) -> pl.DataFrame:
    ahead, courses, rng = played(rows, known, draws, part)
    ranges = _ranges(ahead, courses)
    found = ranges if ranges_only else ranges | _more(rows, known, ahead, courses, rng)
    kinds = {name: kind for name, kind in FORECASTS.items() if name in found}
    columns = {"_row": rows["_row"]} | {name: found[name] for name in kinds}
    return pl.DataFrame(columns, schema={"_row": pl.UInt32} | kinds).fill_nan(None)


def _ranges(ahead: Nights, courses: Courses) -> dict[str, Any]:
    low, high = narrowest(courses.parts, LEVEL)
    inside = (courses.parts >= low[:, None]) & (courses.parts <= high[:, None])
    return {
        "reach": reach_chances(ahead, courses.setting),
        "parts_low": low,
        "parts_high": high,
        "range_holds": inside.mean(1),
    }


def _more(
    rows: pl.DataFrame, known: Known, ahead: Nights, courses: Courses, rng: np.random.Generator
) -> dict[str, Any]:
    setting = courses.setting
    reach_low, reach_high = chance_range(ahead, setting, rng, LEVEL)
    by_time = setting.parts == setting.by_time
    bars_out_h = np.median(setting.stock.time_s(setting.by_bars) * setting.pace, axis=1) / HOUR_S
    return {
        "reach_low": reach_low,
        "reach_high": reach_high,
        "still_running": (courses.reached & by_time).mean(1),
        "parts": courses.parts.mean(1),
        **_good(rows, courses.parts, rng),
        "planned_end_h": np.median(setting.worked_h / setting.working, axis=1),
        "planned_end_parts": np.median(setting.parts, axis=1),
        "planned_end_by": _limit(courses),
        "bars_out_h": [float(hours) if np.isfinite(hours) else None for hours in bars_out_h],
        "first_stop_h": _mean_of(courses.stopped_h),
        "bars_worth": np.quantile(courses.bars_wanted, ENOUGH_BARS, axis=1, method="higher").astype(np.int64),
        "history_runs": known.nights.astype(np.int64),
        "history_stops": known.stopped.astype(np.int64),
        "pace": known.pace.mean(1),
        "pace_basis": [BASES[number] for number in known.basis],
    }


def _good(rows: pl.DataFrame, parts: Floats, rng: np.random.Generator) -> dict[str, Floats]:
    """Good ones among the parts of each night, the share itself uncertain; nan where quality was not measured."""
    measured = rows["good_seen"].is_not_null().to_numpy()
    found = {name: np.full(rows.height, np.nan) for name in ("good_parts", "good_low", "good_high")}
    if measured.any():
        seen = rows.filter(measured).select("good_seen", "bad_seen").to_numpy().T[..., None]
        some = parts[measured]
        good = rng.binomial(some.astype(np.int64), rng.beta(seen[0] + 0.5, seen[1] + 0.5, some.shape)).astype(float)
        for name, values in zip(found, (good.mean(1), *narrowest(good, LEVEL)), strict=True):
            found[name][measured] = values
    return found


def _limit(courses: Courses) -> list[str]:
    """What the planned end is most often: time, bars or order."""
    setting = courses.setting
    time = (setting.parts == setting.by_time).mean(1)
    bars = ((setting.parts == setting.by_bars) & (setting.parts < setting.by_time)).mean(1)
    most = np.argmax(np.stack([time, bars, 1 - time - bars]), axis=0)
    return [("time", "bars", "order")[number] for number in most]


def _mean_of(hours: np.ndarray) -> list[float | None]:
    """Mean of what is not nan; None where all is."""
    seen = ~np.isnan(hours)
    count, total = seen.sum(1), np.where(seen, hours, 0.0).sum(1)
    return [float(whole / many) if many else None for whole, many in zip(total, count, strict=True)]

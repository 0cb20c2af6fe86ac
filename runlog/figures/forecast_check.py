"""Were the forecasts any good: the nights of the last 13 weeks, each forecast from what came before it only.

    check = forecast_check(runs, history)
    check.summary        # coverage of the 80 % ranges, Brier scores of the forecast and of three naive ones

A forecast that is worth its name beats the share of nights that went well so far (the shop's, and this machine's
own), and "tonight will be like last night".
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from runlog.figures.forecast import NIGHTS, forecasts
from runlog.figures.forecast_history import History
from runlog.figures.run_history import STOP, WINDOW
from runlog.statistics.nights import brier

DRAWS: Final = 256
"""Times each past night is played: there are thousands of them."""
JUDGED: Final = ("window", "visit", "stop", "out of bars", "order complete")
"""Endings that can be judged; a lost signal tells nothing of the run."""
CLASSES: Final = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


@dataclass(frozen=True)
class ForecastCheck:
    """What came of the forecasts.

    Attributes
    ----------
    nights : DataFrame
        One row a night that could be judged: machine, job, start, reach, parts_low, parts_high, range_holds, reached,
        made (parts), inside (the range held them), shop_share, own_share, as_last_night (what the naive ones said).
    summary : DataFrame
        One row: nights, left_out, coverage, expected_coverage (what the ranges said they would hold), brier, and
        brier_shop_share, brier_own_share, brier_as_last_night; null without a night.
    classes : DataFrame
        By chance forecast: from, to, nights, said (mean), reached (share).
    machines : DataFrame
        By machine: machine, nights, said (mean chance), reached, held (shares).
    """

    nights: pl.DataFrame
    summary: pl.DataFrame
    classes: pl.DataFrame
    machines: pl.DataFrame


def forecast_check(runs: pl.DataFrame, history: History, draws: int = DRAWS) -> ForecastCheck:
    """Forecast the nights of the last 13 weeks, each from what came before it.

    Parameters
    ----------
    runs : DataFrame
        From `run_history` and `with_stock`.
    history : History
        Of the same runs.
    draws : int
        Times each night is played.

    Notes
    -----
    A night is judged up to when somebody came, as if that had been known. Left out are runs that did not begin with
    their window, that lost their signal, have no plan, or nothing before them to go by.
    """
    begun = runs.filter(pl.col("start") == pl.col("window_start")).sort("start", "machine")
    rows = begun.filter(pl.col("ended_by").is_in(JUDGED)).with_columns(
        at="window_start",
        hours=(pl.col("until") - pl.col("start")).dt.total_microseconds() / 3.6e9,
        good_seen=pl.lit(None, pl.Int64),
        bad_seen=pl.lit(None, pl.Int64),
    )
    if not rows.height:
        return ForecastCheck(pl.DataFrame(), _summary(pl.DataFrame(), runs.height), pl.DataFrame(), pl.DataFrame())
    counted = rows.select(*NIGHTS, reached=pl.col("ended_by") != STOP, made="parts")
    since = runs["window_start"].max() - WINDOW  # type: ignore[operator]
    said = forecasts(
        _naive(counted).filter(pl.col("at") > since).sort("at", "machine"), history, draws, ranges_only=True
    )
    judged = said.filter(pl.col("reach").is_not_null()).with_columns(
        inside=pl.col("made").is_between(pl.col("parts_low"), pl.col("parts_high"))
    )
    return ForecastCheck(
        judged.select(
            "machine", "job", "reach", "parts_low", "parts_high", "range_holds", "reached", "made", "inside",
            "shop_share", "own_share", "as_last_night", start="at",
        ),
        _summary(judged, runs.filter(pl.col("window_start") > since).height - judged.height),
        _classes(judged),
        _by_machine(judged),
    )  # fmt: skip


def _naive(rows: pl.DataFrame) -> pl.DataFrame:
    """Add the naive forecasts, each from the nights before: shop_share, own_share, as_last_night.

    A share of nothing is that of the shop, and of nothing at all an even chance.
    """
    one = pl.col("reached").cast(pl.Float64)
    before, count = one.cum_sum() - one, pl.int_range(pl.len())
    nights = (
        rows.group_by("at")
        .agg(good=one.sum(), all=pl.len())
        .sort("at")
        .with_columns(
            shop_share=(pl.col("good").cum_sum() - pl.col("good")) / (pl.col("all").cum_sum() - pl.col("all"))
        )
    )
    return (
        rows.join(nights.select("at", pl.col("shop_share").fill_nan(None).fill_null(0.5)), on="at", how="left")
        .sort("machine", "at")
        .with_columns(
            own_share=(before.over("machine") / count.over("machine")).fill_nan(None),
            as_last_night=one.shift(1).over("machine"),
        )
        .with_columns(pl.col("own_share", "as_last_night").fill_null(pl.col("shop_share")))
    )


def _summary(judged: pl.DataFrame, left_out: int) -> pl.DataFrame:
    names = {"brier": "reach", "brier_shop_share": "shop_share", "brier_own_share": "own_share",
             "brier_as_last_night": "as_last_night"}  # fmt: skip
    some = judged.height > 0
    scores = {
        name: brier(judged[column].to_numpy(), judged["reached"].to_numpy()) if some else None
        for name, column in names.items()
    }
    found = {
        "nights": judged.height,
        "left_out": left_out,
        "coverage": judged["inside"].mean() if some else None,
        "expected_coverage": judged["range_holds"].mean() if some else None,
        **scores,
    }
    kinds = {name: pl.Int64 if name in ("nights", "left_out") else pl.Float64 for name in found}
    return pl.DataFrame([found], schema=kinds)


def _classes(judged: pl.DataFrame) -> pl.DataFrame:
    grouped = (
        judged.with_columns(number=np.searchsorted(CLASSES[1:-1], judged["reach"].to_numpy(), side="right"))
        .group_by("number")
        .agg(nights=pl.len(), said=pl.col("reach").mean(), reached=pl.col("reached").mean())
        .sort("number")
    )
    edges = pl.DataFrame({"number": range(len(CLASSES) - 1), "from": CLASSES[:-1], "to": CLASSES[1:]})
    return grouped.cast({"number": pl.Int64}).join(edges, on="number").select("from", "to", "nights", "said", "reached")


def _by_machine(judged: pl.DataFrame) -> pl.DataFrame:
    return (
        judged.group_by("machine")
        .agg(
            nights=pl.len(),
            said=pl.col("reach").mean(),
            reached=pl.col("reached").mean(),
            held=pl.col("inside").mean(),
        )
        .sort("machine")
    )

"""Forecasts from history: what was known when, what is not known, and that the future is not looked at."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from benchmarks.forecast_calibration import invented, played
from figures.runs import SITE, START, night, night_facts

from runlog.figures.forecast import NIGHTS, forecasts
from runlog.figures.forecast_check import forecast_check
from runlog.figures.forecast_history import History, shared_order, with_stock
from runlog.figures.run_history import run_history

KEYS = {"reach", "parts_low", "parts_high"}


def history_of(*nights: dict) -> pl.DataFrame:
    facts = night_facts(*nights)
    return with_stock(run_history(facts, SITE), facts["shift_plans"])


def ahead(number: int, machine: str = "T01", **columns: object) -> pl.DataFrame:
    row = {"machine": machine, "job": "bush", "at": START + timedelta(days=number), "hours": 8.0, "cycle_s": 75.0}
    row |= {"reload_s": 40.0, "parts_per_bar": 24, "parts_left": 0, "bars": 20, "bars_basis": "given"}
    return pl.DataFrame([dict.fromkeys(NIGHTS) | row | columns], schema=NIGHTS)


def forecast(nights: pl.DataFrame, runs: pl.DataFrame, **how: object) -> dict:
    return forecasts(nights, History(runs), **how).row(0, named=True)


def test_many_good_nights_make_the_next_likely_but_never_sure():
    runs = history_of(*(night("T01", n) for n in range(40)))
    row = forecast(ahead(40), runs)
    # One machine: 0.5 stops in 40 h of first hours and in 280 h of later ones; 0.5 of 1 failure in 40 x 16 reloads.
    hourly = (40 / 41) ** 0.5 * (280 / 287) ** 0.5
    assert row["reach"] == pytest.approx(hourly, rel=0.02)
    assert row["reach"] < 1
    assert (row["planned_end_by"], row["planned_end_parts"]) == ("time", pytest.approx(375, abs=2))
    assert row["bars_worth"] == 16
    assert row["history_runs"] == 40


def test_bars_and_order_end_a_night_before_time_does():
    runs = history_of(*(night("T01", n) for n in range(20)))
    row = forecast(ahead(20, bars=5, parts_left=7), runs)
    assert (row["planned_end_by"], row["planned_end_parts"]) == ("bars", 127)
    # 127 x 75 s and 5 reloads of 40 s are 9725 s; the pace seen is that of the plan but for the part at the end.
    assert row["planned_end_h"] == pytest.approx(9725 / 3600, rel=0.01)
    assert row["bars_out_h"] == pytest.approx(row["planned_end_h"])
    assert forecast(ahead(20, order_left=50), runs)["planned_end_by"] == "order"


def test_reload_failures_count_for_machine_and_job_and_others_by_the_hour():
    nights = [night("T01", n, 2.0, "stop", "misfeed") for n in range(0, 10)]
    nights += [night("T01", n, job="pin") for n in range(10, 40)]
    runs = history_of(*nights)
    bad, good = forecast(ahead(40), runs), forecast(ahead(40, job="pin"), runs)
    assert bad["reach"] < 0.4 < 0.8 < good["reach"]
    assert bad["first_stop_h"] < 8


def test_no_history_says_nothing_and_little_is_uncertain():
    none = forecasts(ahead(0), History(history_of()))
    assert none["reach"].to_list() == [None]
    few = forecast(ahead(2), history_of(night("T01", 0), night("T01", 1, 4.0, "stop", "tool broken")))
    many = forecast(
        ahead(80),
        history_of(*(night("T01", n, *((4.0, "stop", "tool broken") if n % 2 else ())) for n in range(80))),
    )
    assert few["reach_high"] - few["reach_low"] > 2 * (many["reach_high"] - many["reach_low"])


def test_a_machine_that_never_ran_is_forecast_from_the_others_with_less_certainty():
    runs = history_of(
        *(
            night(name, n, *((4.0, "stop", "tool broken") if n % 4 == 0 else ()))
            for name in ("T01", "T02")
            for n in range(40)
        )
    )
    known, new = forecast(ahead(40), runs), forecast(ahead(40, machine="T03"), runs)
    assert new["history_runs"] == 0
    assert new["pace_basis"] == "shop"
    assert new["reach_high"] - new["reach_low"] > known["reach_high"] - known["reach_low"]


def test_a_night_without_plan_or_time_is_not_forecast():
    runs = history_of(*(night("T01", n) for n in range(5)))
    assert forecast(ahead(5, parts_per_bar=None), runs)["reach"] is None
    assert forecast(ahead(5, hours=None), runs)["reach"] is None


def test_magazines_taken_as_full_have_been_found_short():
    """Ten nights of 5 bars 'as full as it holds' were out of bars after 96 parts: 4 bars."""
    nights = [
        night("T01", n, 2.05, "out of bars", "magazine empty", parts=96, reloads=5, bars=5, bars_basis="magazine")
        for n in range(10)
    ]
    runs = history_of(*nights)
    assert runs["bars_missing"].to_list() == [1.0] * 10
    assert forecast(ahead(10, bars=5, bars_basis="magazine"), runs)["planned_end_parts"] == 96
    assert forecast(ahead(10, bars=5, bars_basis="given"), runs)["planned_end_parts"] == 120


def test_an_order_is_shared_by_the_machines_that_are_on_it():
    rows = pl.concat([ahead(0, order_left=90), ahead(0, machine="T02", order_left=90, cycle_s=150.0, reload_s=80.0)])
    assert rows.select(shared=shared_order("at"))["shared"].to_list() == [60, 30]
    assert ahead(0, order_left=0).select(shared_order("at")).item() is None


def test_good_parts_are_told_only_where_quality_was_measured():
    runs = history_of(*(night("T01", n) for n in range(20)))
    assert forecast(ahead(20), runs)["good_parts"] is None
    row = forecast(ahead(20, good_seen=900, bad_seen=100), runs)
    assert row["good_parts"] == pytest.approx(0.9 * row["parts"], rel=0.02)
    assert row["good_high"] < row["parts_high"]


def test_what_comes_after_a_night_does_not_change_its_forecast():
    runs = invented(5, nights=30)
    check = forecast_check(runs, History(runs))
    evening = START.replace(hour=21) + timedelta(days=20)
    before = runs.filter(pl.col("window_start") <= evening)
    later = runs.filter(pl.col("window_start") > evening).with_columns(
        stopped=True, ended_by=pl.lit("stop"), by_reload=True, parts=pl.lit(1, pl.Int64), reloads=pl.lit(1, pl.Int64)
    )
    changed = forecast_check(pl.concat([before, later]), History(pl.concat([before, later])))
    same = [
        one.nights.filter(pl.col("start") <= evening).select("machine", "start", *sorted(KEYS))
        for one in (check, changed)
    ]
    assert same[0].height == 20 * 20
    assert same[0].equals(same[1])


def test_the_score_of_a_check_by_hand():
    """T01 and T02 for three nights; T02 stops on the second. From the second night on there is something to go by."""
    runs = history_of(
        *(night("T01", n) for n in range(3)),
        night("T02", 0), night("T02", 1, 4.0, "stop", "tool broken"), night("T02", 2),
    )  # fmt: skip
    found = forecast_check(runs, History(runs))
    nights = found.nights.sort("machine", "start")
    assert nights["reached"].to_list() == [True, True, False, True]
    # Before the second night 2 of 2 went well, before the third 3 of 4.
    assert nights["shop_share"].to_list() == [1.0, 0.75, 1.0, 0.75]
    assert nights["own_share"].to_list() == [1.0, 1.0, 1.0, 0.5]
    assert nights["as_last_night"].to_list() == [1.0, 1.0, 1.0, 0.0]
    row = found.summary.row(0, named=True)
    assert (row["nights"], row["left_out"]) == (4, 2)
    assert row["brier_shop_share"] == pytest.approx((0 + 0.25**2 + 1 + 0.25**2) / 4)
    assert row["brier_as_last_night"] == pytest.approx((0 + 0 + 1 + 1) / 4)
    assert row["brier"] == pytest.approx(np.mean((nights["reach"].to_numpy() - nights["reached"].to_numpy()) ** 2))


def test_a_visited_night_is_judged_up_to_the_visit_and_a_lost_one_not_at_all():
    runs = history_of(
        *(night("T01", n) for n in range(5)), night("T01", 5, 2.0, "visit"), night("T01", 6, 2.0, "no signal")
    )
    found = forecast_check(runs, History(runs)).nights
    assert found.height == 5
    visited = found.row(-1, named=True)
    assert visited["parts_high"] < 120
    assert visited["reach"] > found["reach"].to_list()[-2]


def test_no_nights_to_check():
    found = forecast_check(history_of(), History(history_of()))
    assert found.summary.row(0, named=True)["nights"] == 0
    assert found.summary.row(0, named=True)["brier"] is None


@pytest.mark.parametrize("shop", [{"differ": 0.5}, {"early": 0.2}, {"bars": 8}, {"nights": 21}])
def test_ranges_hold_what_they_say(shop):
    runs = invented(7, **shop)
    row = forecast_check(runs, History(runs)).summary.row(0, named=True)
    assert 0.72 < row["coverage"] < 0.88
    assert row["brier"] < row["brier_as_last_night"]


@pytest.mark.slow
def test_the_simulators_nights_are_forecast_better_than_by_their_shares():
    runs = played(1)
    row = forecast_check(runs, History(runs)).summary.row(0, named=True)
    assert 0.75 <= row["coverage"] <= 0.85
    assert row["brier"] < min(row["brier_shop_share"], row["brier_own_share"], row["brier_as_last_night"])


def test_the_first_night_of_a_shop_has_nothing_to_go_by():
    runs = history_of(night("T01", 0))
    check = forecast_check(runs, History(runs))
    assert (check.summary["nights"].item(), check.nights.height) == (0, 0)
    assert forecast(ahead(1), runs)["reach_high"] - forecast(ahead(1), runs)["reach_low"] > 0.5

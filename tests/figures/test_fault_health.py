"""Stops of one cause per hour run: nights counted by hand."""

from datetime import date, timedelta
from itertools import combinations

import polars as pl
import pytest
from figures.nights import DAY, SITE, facts, night
from polars.testing import assert_frame_equal

from runlog.errors import RunlogError
from runlog.figures.fault_groups import running
from runlog.figures.fault_health import FaultHealth, causes, fault_health, ran_in
from runlog.figures.fault_pattern import hours_until
from runlog.site import parse_site
from runlog.statistics.counts import garwood

SHOP = parse_site(SITE)


def of(health: FaultHealth, dimension: str, group: str) -> dict:
    found = health.groups.filter((pl.col("dimension") == dimension) & (pl.col("group") == group))
    return found.row(0, named=True)


def test_a_cause_on_many_nights_is_chronic():
    """T01: a misfeed in each of 8 nights of 8 h. T02: none in 8 nights."""
    health = fault_health(
        facts(*(night("T01", day, stops="m") for day in range(8)), *(night("T02", day) for day in range(8))),
        SHOP,
        "misfeed",
    )
    one, other, whole = of(health, "machine", "T01"), of(health, "machine", "T02"), of(health, "plant", "all")
    assert (one["faults"], one["hours"], one["rate"], one["rest_rate"]) == (8, 64, 12.5, 0)
    low, high = garwood(8)
    assert (one["low"], one["high"]) == pytest.approx((100 * float(low) / 64, 100 * float(high) / 64))
    assert one["p"] == pytest.approx(1 / 12870)  # all 8 of 8 among 16 shifts
    assert one["p_by_hours"] == pytest.approx(0.5**8)  # each of 8 faults on either side
    assert (one["verdict"], other["verdict"], whole["verdict"]) == ("chronic", "within chance", "not compared")
    assert one["sentence"].startswith("8 faults in 64 h, 12.5 per 100 h (")
    assert 6.25 <= one["shrunken"] <= 12.5


def test_other_causes_and_groups_of_causes():
    frames = facts(night("T01", 0, stops="mmt"), night("T02", 0, stops="t"))
    assert of(fault_health(frames, SHOP, "tool broken"), "plant", "all")["faults"] == 2
    assert of(fault_health(frames, SHOP, "bar supply"), "plant", "all")["faults"] == 2
    told = causes(frames, SHOP)
    assert told.select("cause", "stops", "hours").rows() == [("misfeed", 2, 16.0), ("tool broken", 2, 16.0)]
    assert told["rate"].to_list() == [12.5, 12.5]
    with pytest.raises(RunlogError, match=r"'colour' found, one of these expected: .*or a group of them: bar supply"):
        fault_health(frames, SHOP, "colour")


def test_a_cause_that_never_came_is_no_error():
    health = fault_health(facts(night("T01", 0)), SHOP, "misfeed")
    assert (health.points.height, health.trends.height, health.steps.height) == (0, 0, 0)
    assert of(health, "machine", "T01")["faults"] == 0


def test_hours_fall_into_the_shift_in_which_they_ran():
    """A span from 22:00 over 26 hours: 24 until the next night begins, 2 in that."""
    frames = facts(night("T01", 0, hours=26), night("T01", 1, hours=0))
    rows = running(frames, SHOP).collect().filter(pl.col("hours") > 0).sort("start")
    assert rows.select("shift_date", "hours").rows() == [(date(2026, 3, 2), 24.0), (date(2026, 3, 3), 2.0)]


def test_hours_run_up_to_an_instant():
    """Two machines from 22:00 to 06:00: at 23:00 two hours were run, at 07:00 sixteen."""
    ran = running(facts(night("T01", 0), night("T02", 0)), SHOP).collect()
    at = [(DAY + timedelta(hours=hours)).timestamp() * 1e6 for hours in (0, 1, 9)]
    assert hours_until(ran, pl.Series(at).to_numpy()).tolist() == pytest.approx([0, 2, 16])


def test_points_count_faults_hours_and_reloads():
    health = fault_health(
        facts(
            night("T01", 0, stops="mm", reloads="ccc"), night("T02", 0), night("T01", 1, stops="m", reloads="c" * 20)
        ),
        SHOP,
        "misfeed",
    )
    own = health.points.filter(pl.col("scope") == "T01")
    assert own.select("faults", "hours", "reloads", "first_of_shift").rows() == [
        (1, 1.0, 3, True),
        (2, 2.0, 3, False),
        (3, 9.0, 10, True),
    ]
    whole = health.points.filter(pl.col("scope") == "all")
    assert whole["hours"].to_list() == [2.0, 4.0, 17.0]


def nights_with(machine: str, faulty: set[int], count: int) -> list[dict]:
    return [night(machine, day, stops="m" if day in faulty else "", reloads="ccc") for day in range(count)]


def test_a_machine_that_changed_from_one_night_on():
    """Thirty nights without a misfeed, then one in each of ten; the other machine has one now and then."""
    health = fault_health(
        facts(*nights_with("T01", set(range(30, 40)), 40), *nights_with("T02", {3, 11, 19, 27, 35}, 40)),
        SHOP,
        "misfeed",
    )
    step = health.steps.row(0, named=True)
    assert (step["machine"], step["verdict"]) == ("T01", "more since")
    assert step["date"] == date(2026, 3, 2) + timedelta(days=30)
    assert (step["shifts_with_fault_before"], step["shifts_before"]) == (0, 30)
    assert (step["shifts_with_fault_after"], step["shifts_after"]) == (10, 10)
    assert (step["rate_before"], step["rate_after"]) == (0, 12.5)
    # Ten of forty nights last: of all orders only this and its mirror are as clear.
    assert step["p"] == pytest.approx(2 / 847_660_528)
    assert health.steps.row(1, named=True)["verdict"] == "steady"
    trend = health.trends.filter((pl.col("scope") == "T01") & (pl.col("clock") == "hours")).row(0, named=True)
    assert trend["verdict"] == "more and more"
    assert trend["slope_low"] > 1
    steady = health.trends.filter(pl.col("scope") == "T02")
    assert steady["verdict"].to_list() == ["steady", "steady"]


def test_few_faults_have_no_trend():
    health = fault_health(facts(*nights_with("T01", {1, 2, 3, 4}, 10)), SHOP, "misfeed")
    assert set(health.trends["verdict"]) == {"too few to tell"}
    assert health.trends["laplace"].to_list() == [None] * 4
    assert health.steps.height == 0


def test_one_bar_size_on_one_machine_is_found_behind_all_that_hold_it():
    """T01 runs pin and cap by turns and fails on pin; T02 and T03 run both without a fault: it is the pair."""
    nights = [
        night(
            machine, day, stops="m" if machine == "T01" and day % 2 == 0 else "", job="pin" if day % 2 == 0 else "cap"
        )
        for machine in ("T01", "T02", "T03")
        for day in range(24)
    ]
    health = fault_health(facts(*nights), SHOP, "misfeed", dimensions=["plant", "machine", "diameter", "job"])
    called = health.groups.filter(pl.col("verdict") == "chronic")
    assert set(called["group"]) == {"T01", "20 mm", "pin"}
    assert called["through"].unique().to_list() == ["machine T01, diameter 20 mm"]
    pair = health.pairs.filter((pl.col("inside_group") == "T01") & (pl.col("dimension") == "diameter"))
    chronic = pair.filter(pl.col("verdict") == "chronic")
    assert chronic["group"].to_list() == ["20 mm"]
    # Inside T01 that size and that job are the same nights, and it is said.
    same = health.alike.filter((pl.col("inside_group") == "T01") & (pl.col("group") == "20 mm"))
    assert same["other_group"].to_list() == ["pin"]


def test_machine_and_size_that_always_go_together_are_not_both_blamed():
    nights = [
        night(machine, day, stops="m" if machine == "T01" else "", job="pin" if machine == "T01" else "cap")
        for machine in ("T01", "T02")
        for day in range(8)
    ]
    health = fault_health(facts(*nights), SHOP, "misfeed")
    same = health.alike.filter((pl.col("dimension") == "machine") & (pl.col("group") == "T01"))
    assert {"diameter", "job"} <= set(same["other_dimension"])
    assert same["share"].to_list() == [1.0] * same.height


def test_only_the_days_asked_for_count():
    frames = facts(night("T01", 0, stops="m"), night("T01", 5, stops="m"), night("T01", 9, stops="m"))
    health = fault_health(frames, SHOP, "misfeed", first=date(2026, 3, 5), last=date(2026, 3, 8))
    assert of(health, "plant", "all")["faults"] == 1
    assert of(health, "plant", "all")["hours"] == 8


def test_what_ran_in_some_days_is_what_is_found_among_all():
    """Nights apart by days without a shift, in which T01 runs on: a shift lasts until the next."""
    frames = dict(
        facts(*(night("T01", day, stops="m") for day in (0, 1, 6, 9)), *(night("T02", day) for day in (1, 9)))
    )
    on = frames["spans"].with_columns(
        end=pl.when(pl.col("machine") == "T01").then(pl.col("end") + timedelta(days=2)).otherwise("end")
    )
    frames["spans"] = on
    days = [DAY.date() + timedelta(days=day) for day in range(-1, 12)]
    for first, last in combinations(days, 2):
        ran = ran_in(frames, SHOP, first=first, last=last)
        every = running(frames, SHOP).filter(pl.col("shift_date").is_between(first, last)).collect()
        assert_frame_equal(ran.stretches, every, check_row_order=False)


def test_a_cause_asked_about_beside_others_is_told_the_same():
    frames = facts(*(night("T01", day, stops="mt") for day in range(8)), *(night("T02", day) for day in range(8)))
    for days in ({}, {"first": DAY.date() + timedelta(days=3)}, {"last": DAY.date() + timedelta(days=4)}):
        ran = ran_in(frames, SHOP, **days)
        for cause in ("misfeed", "tool broken"):
            alone, beside = (
                fault_health(frames, SHOP, cause, **days),
                fault_health(frames, SHOP, cause, **days, ran=ran),
            )
            for name in ("groups", "pairs", "alike", "points", "trends", "steps"):
                assert_frame_equal(getattr(beside, name), getattr(alone, name))
            assert (beside.first, beside.last) == (alone.first, alone.last)

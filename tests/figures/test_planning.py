"""Plans and sawing in words: what binds, what the others would allow, what to weigh."""

from datetime import UTC, datetime
from typing import Any

import pytest
from plan.shops import nights_all_week, shop

from runlog.errors import RunlogError
from runlog.figures.planning import plan_review
from runlog.figures.sawing import sawing_review

MONDAY_NOON = datetime(2026, 11, 23, 12, tzinfo=UTC)


def told(site, **asked) -> dict:
    return plan_review(site, "bush 4711", MONDAY_NOON, **asked).machines.row(0, named=True)


def test_each_binding_limit_is_named_beside_the_others():
    site, _ = shop()
    assert told(site, order=1000)["finding"] == (
        "bars bind: 288 parts, out of bars at Tue 04:08 CET; the time up to Tue 06:00 CET would hold 375; "
        "the order wants 1000"
    )
    assert told(site, bars=20)["finding"] == "time binds: 375 parts until Tue 06:00 CET; the bars would give 480"
    assert told(site, order=5)["finding"] == (
        "the order binds: 5 parts; the time up to Tue 06:00 CET would hold 375; the bars would give 288"
    )


def test_the_clock_of_a_night_that_changes_it_is_the_one_on_the_wall():
    site, _ = shop("America/Chicago")
    site = nights_all_week(site)
    start = datetime(2026, 3, 8, 4, tzinfo=UTC)  # Saturday 22:00 in Chicago
    assert told(site, start=start)["finding"].startswith(
        "bars bind: 288 parts, out of bars at Sun 05:08 CDT; the time up to"
    )


def test_what_was_assumed_is_said():
    site, _ = shop(parts_per_bar=20, feeder={"longest_bar_mm": 1150})
    assert told(site)["notes"].splitlines() == [
        "the bar of 1200 mm is 50.0 mm longer than its feeder takes: saw it (`runlog sawing`)",
        "the countdown is preset to 20 parts a bar: 4 more would fit, 182.0 mm given away with each bar",
        "the magazine is taken as full: look, or say with --bars how many it holds",
        "the bar in the spindle is taken as used up: --left says how many parts it still gives",
    ]
    site, _ = shop()
    assert told(site, bars=3, parts_left=2)["notes"] == ""
    saturday = told(site, start=datetime(2026, 11, 28, 12, tzinfo=UTC), bars=3, parts_left=2)
    assert saturday["notes"] == "no shift is planned then: time does not bind"
    assert saturday["finding"] == "bars bind: 74 parts, out of bars at Sat 14:34 CET"
    assert "somebody is there" in told(site, start=MONDAY_NOON)["notes"]


def test_what_gives_no_part_says_so():
    site, _ = shop(bar_mm=130)
    review = plan_review(site, "bush 4711", MONDAY_NOON, order=10)
    assert review.machines["finding"].to_list() == ["no plan: a bar gives no part"]
    assert (review.stock.height, review.paying.height, review.curve.height) == (0, 0, 0)


def test_the_order_of_the_site_file_holds_unless_another_is_given():
    site, _ = shop(order_quantity=500)
    assert "the whole order of the site file is taken as wanted" in told(site)["notes"]
    assert "the whole order" not in told(site, order=30)["notes"]
    assert plan_review(site, "bush 4711", MONDAY_NOON).stock["parts"].to_list() == [500]
    assert plan_review(site, "bush 4711", MONDAY_NOON, order=30).stock["parts"].to_list() == [30]
    site, _ = shop()
    assert plan_review(site, "bush 4711", MONDAY_NOON).stock.height == 0


def test_unknown_names_are_answered_with_the_known_ones():
    site, _ = shop()
    with pytest.raises(RunlogError, match=r"^'bush' found, one of these jobs expected: bush 4711$"):
        plan_review(site, "bush", MONDAY_NOON)
    with pytest.raises(RunlogError, match=r"^--machine 'T09' found, one of these expected: T01$"):
        plan_review(site, "bush 4711", MONDAY_NOON, machine="T09")
    with pytest.raises(RunlogError, match="one of these jobs expected: none in the site file"):
        sawing_review(site.model_copy(update={"job_": []}), "bush 4711")


# --- sawing --------------------------------------------------------------------------------------


def test_the_best_way_and_the_next_longer_one_are_told():
    site, _ = shop()
    assert sawing_review(site, "bush 4711").advice == [
        "3 pieces of 998.0 mm are best in both: 57 parts from a bought bar, the most, and 5.3 reloads per 100 parts, "
        "the fewest of those that fit.",
        "2 pieces of 1498.5 mm do not fit, 248.5 mm longer than the 1250 mm that can be loaded; they would waste 9.0% "
        "instead of 13.5% and ask for 3.3 reloads per 100 parts instead of 5.3.",
    ]


def test_fewer_reloads_are_weighed_against_less_waste():
    """Three of 1000 mm: 9 parts, 333.3 mm a part, 100 / 3 reloads per 100. Five of 600: 10 parts, 300 mm, 50 reloads.
    Over 1000 parts 33.3 m, 6.3536 kg each, so 211.8 kg or 1101.28 EUR, against 166.7 reloads of 40 s, 111 min.
    """
    lengths: dict[str, Any] = {"part_mm": 300, "parting_mm": 0, "facing_mm": 0, "top_cut_mm": 0, "bar_mm": 1000}
    site, _ = shop(feeder={"minimum_remnant_mm": 0, "longest_bar_mm": 1100}, **lengths)
    assert sawing_review(site, "bush 4711", kerf_mm=0).advice[0] == (
        "3 pieces of 1000.0 mm ask for the fewest reloads, 5 pieces of 600.0 mm waste least: over 1000 parts the "
        "latter save 33.3 m, 211.8 kg, 1101.28 EUR of stock for 167 reloads (111 min) more."
    )


def test_nothing_that_fits_and_nothing_that_gives_a_part_are_said():
    site, _ = shop()
    assert sawing_review(site, "bush 4711", bought_mm=140).advice == [
        "No part fits: a bought bar is shorter than top cut, minimum remnant and one part of bush 4711."
    ]
    none = sawing_review(site, "bush 4711", longest_mm=100).advice
    assert none[0] == "None fits: every piece that gives a part is longer than the feeder takes."
    assert none[1].startswith("20 pieces of 147.1 mm do not fit, 47.1 mm longer than the 100 mm that can be loaded")


def test_a_preset_countdown_and_other_feeders_are_pointed_at():
    site, _ = shop(parts_per_bar=20)
    first = site.machines[0]
    assert first.feeder
    other = first.model_copy(update={"name": "T02", "feeder": first.feeder.model_copy(update={"longest_bar_mm": 1600})})
    advice = sawing_review(site.model_copy(update={"machine_": [first, other]}), "bush 4711").advice
    assert advice[2:] == [
        "The countdown, preset to 20 a bar, has to be set anew for a piece.",
        "Other feeders, other pieces: --machine for T02.",
    ]

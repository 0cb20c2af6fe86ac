"""A run from its start: by hand, against counting part by part, and over nights in which the clocks change."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan.shops import nights_all_week, shop

from runlog.errors import RunlogError
from runlog.plan.clock import start_of
from runlog.plan.limits import endurance_s, with_planned_parts
from runlog.plan.run import RUN_PLANS, busy_s, next_start, run_plans
from runlog.site import Closure

MONDAY_NOON = datetime(2026, 11, 23, 12, tzinfo=UTC)


def one(site, job, start, **asked) -> dict:
    plans = run_plans(site, job, ["T01"], start, **asked)
    assert plans.schema == RUN_PLANS
    return plans.row(0, named=True)


def test_a_night_by_hand():
    """12 bars of 24: 288 parts in 22 080 s, from 22:00 until 04:08; eight hours hold 28 800 / 76.667 = 375.65."""
    site, job = shop()
    start = next_start(site, MONDAY_NOON)
    assert start.astimezone(site.zone).isoformat() == "2026-11-23T22:00:00+01:00"
    night = one(site, job, start, order_left=1000)
    assert (night["planned_parts"], night["limit"]) == (288.0, "bars")
    assert (night["by_bars"], night["by_order"]) == (288.0, 1000.0)
    assert night["by_time"] == pytest.approx(28_800 / (75 + 40 / 24))
    assert (night["bar_lasts_s"], night["endurance_s"], night["busy_s"]) == (1840.0, 22_080.0, 28_800.0)
    assert night["run_out_at"].astimezone(site.zone).isoformat() == "2026-11-24T04:08:00+01:00"
    assert (night["bars"], night["bars_basis"]) == (12, "magazine")


def test_a_run_planned_in_the_night_begins_with_the_next_one():
    site, _ = shop()
    eleven = datetime(2026, 11, 23, 22, tzinfo=UTC)
    assert next_start(site, eleven) == datetime(2026, 11, 24, 21, tzinfo=UTC)
    by_day = site.model_copy(update={"shift": [one for one in site.shift if one.attended]})
    assert next_start(by_day, eleven) == datetime(2026, 11, 24, 5, tzinfo=UTC)
    assert next_start(site.model_copy(update={"shift": []}), eleven) == datetime(2026, 11, 23, 23, tzinfo=UTC)


def test_busy_time_is_cut_at_both_ends():
    """From 07:00 to 15:30 local: the rest of the early shift, 7 h, and 1.5 h of the late one."""
    site, _ = shop()
    ends = [datetime(2026, 11, 23, hour, minute, tzinfo=UTC) for hour, minute in ((6, 0), (14, 30))]
    assert busy_s(site, "T01", *ends) == 8.5 * 3600


def test_several_parts_a_cycle_share_its_time():
    """Two parts in 75 s: 37.5 s each, and 40 / 24 s of the reload."""
    site, job = shop(parts_per_cycle=2)
    night = one(site, job, next_start(site, MONDAY_NOON))
    assert night["standard_time_s"] == pytest.approx(37.5 + 40 / 24)
    assert night["bar_lasts_s"] == 24 * 37.5 + 40


def test_parts_left_on_the_bar_run_first():
    """5 parts at 75 s and 3 bars of 1840 s: 5895 s, 77 parts."""
    site, job = shop()
    night = one(site, job, next_start(site, MONDAY_NOON), bars=3, parts_left=5)
    assert (night["planned_parts"], night["endurance_s"], night["bars_basis"]) == (77.0, 5895.0, "given")


def test_each_limit_binds_where_it_is_the_least():
    site, job = shop()
    start = next_start(site, MONDAY_NOON)
    assert one(site, job, start, bars=2)["limit"] == "bars"
    assert one(site, job, start, bars=16)["limit"] == "time"
    order = one(site, job, start, order_left=7)
    assert (order["planned_parts"], order["limit"]) == (7.0, "order")


def test_somebody_refills_the_magazine_by_day():
    """From 07:00 the early shift lasts 7 h: 25 200 / 76.667 = 328.7 parts, though two bars would give 48."""
    site, job = shop()
    day = one(site, job, datetime(2026, 11, 23, 6, tzinfo=UTC), bars=2)
    assert (day["attended"], day["limit"], day["by_bars"]) == (True, "time", None)
    assert day["planned_parts"] == pytest.approx(25_200 / (75 + 40 / 24))


def test_outside_shifts_time_does_not_bind_and_closures_are_not_planned():
    site, job = shop()
    saturday = one(site, job, datetime(2026, 11, 28, 12, tzinfo=UTC))
    assert (saturday["end"], saturday["by_time"], saturday["limit"]) == (None, None, "bars")
    closed = {"start": datetime(2026, 11, 24, 2), "end": datetime(2026, 11, 24, 6)}
    site = site.model_copy(update={"closure": [Closure.model_validate(closed)]})
    assert one(site, job, next_start(site, MONDAY_NOON))["busy_s"] == 4 * 3600


def test_what_gives_no_part_has_no_plan():
    site, job = shop(bar_mm=130)
    night = one(site, job, next_start(site, MONDAY_NOON))
    assert (night["parts_per_bar"], night["standard_time_s"], night["planned_parts"], night["limit"]) == (
        0,
        None,
        None,
        None,
    )


def test_a_preset_countdown_gives_stock_away():
    """20 of 24 parts: 4 x 45.5 = 182 mm given away, remnant 103 + 182 = 285 mm."""
    site, job = shop(parts_per_bar=20)
    night = one(site, job, next_start(site, MONDAY_NOON))
    assert (night["parts_per_bar"], night["fitting_parts_per_bar"]) == (20, 24)
    assert (night["given_away_mm"], night["remnant_mm"]) == (182.0, 285.0)
    site, job = shop(parts_per_bar=30)  # more than fit: the bar decides
    night = one(site, job, next_start(site, MONDAY_NOON))
    assert (night["parts_per_bar"], night["given_away_mm"]) == (24, 0.0)


def test_a_bar_longer_than_the_feeder_takes_is_told():
    site, job = shop(feeder={"longest_bar_mm": 1150})
    assert one(site, job, next_start(site, MONDAY_NOON))["too_long_mm"] == 50
    site, job = shop()
    assert one(site, job, next_start(site, MONDAY_NOON))["too_long_mm"] is None


# --- clocks that change --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "evening", "hours", "out"),
    [
        # 22:00 and 6 h 8 min are 04:08, an hour later on the clock in spring, an hour earlier in autumn.
        ("Europe/London", "2026-03-28T22:00", 7, "05:08 BST"),
        ("Europe/London", "2026-10-24T22:00", 9, "03:08 GMT"),
        ("Europe/Berlin", "2026-03-28T22:00", 7, "05:08 CEST"),
        ("Europe/Berlin", "2026-10-24T22:00", 9, "03:08 CET"),
        ("America/Chicago", "2026-03-07T22:00", 7, "05:08 CDT"),
        ("America/Chicago", "2026-10-31T22:00", 9, "03:08 CST"),
        ("Australia/Sydney", "2026-10-03T22:00", 7, "05:08 AEDT"),
        ("Australia/Sydney", "2026-04-04T22:00", 9, "03:08 AEST"),
        ("Europe/Berlin", "2026-07-01T22:00", 8, "04:08 CEST"),
    ],
)
def test_bars_run_out_by_the_clock_of_the_night(zone, evening, hours, out):
    """Zones and dates: IANA time zone database (2026f). The run takes 22 080 s whatever the clock does."""
    site, job = shop(zone)
    site = nights_all_week(site)
    night = one(site, job, start_of(evening, site, MONDAY_NOON))
    assert night["busy_s"] == hours * 3600
    assert night["run_out_at"] - night["start"] == timedelta(seconds=22_080)
    assert f"{night['run_out_at'].astimezone(ZoneInfo(zone)):%H:%M %Z}" == out


def test_a_start_is_read_as_the_shop_writes_it():
    site, _ = shop()
    now = datetime(2026, 11, 23, 20, 30, tzinfo=UTC)  # 21:30 in Berlin
    assert start_of("22:00", site, now) == datetime(2026, 11, 23, 21, tzinfo=UTC)
    assert start_of("21:00", site, now) == datetime(2026, 11, 24, 20, tzinfo=UTC)
    assert start_of(" 2026-11-23T22:00 ", site, now) == datetime(2026, 11, 23, 21, tzinfo=UTC)
    assert start_of("2026-11-23 22:00", site, now) == datetime(2026, 11, 23, 21, tzinfo=UTC)
    assert start_of("2026-11-23T22:00Z", site, now) == datetime(2026, 11, 23, 22, tzinfo=UTC)
    # 02:30 comes twice: the first, unless its offset says otherwise.
    assert start_of("2026-10-25T02:30", site, now) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert start_of("2026-10-25T02:30+01:00", site, now) == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("ten", "--start 'ten' found, a clock time such as 22:00 or a time such as 2026-11-23T22:00 expected"),
        ("25:00", "--start '25:00' found, a clock time"),
        ("22:00+01:00", "--start '22:00\\+01:00' found, a clock time"),
        ("2026-03-29T02:30", "02:30 is left out on 2026-03-29 in Europe/Berlin"),
    ],
)
def test_a_start_that_is_none_is_told(text, said):
    site, _ = shop()
    with pytest.raises(RunlogError, match=said):
        start_of(text, site, MONDAY_NOON)


def test_a_clock_time_left_out_today_is_tomorrows():
    site, _ = shop()
    early = datetime(2026, 3, 28, 23, 30, tzinfo=UTC)  # 00:30 on the day the clocks go forward
    assert start_of("02:30", site, early) == datetime(2026, 3, 30, 0, 30, tzinfo=UTC)


# --- against counting ----------------------------------------------------------------------------


@settings(deadline=None)
@given(st.integers(0, 30), st.integers(0, 40), st.integers(1, 40), st.integers(1, 600), st.integers(0, 300))
def test_endurance_is_what_counting_part_by_part_gives(left, bars, per_bar, cycle_s, reload_s):
    clock = parts = 0
    for _ in range(left):
        clock, parts = clock + cycle_s, parts + 1
    for _ in range(bars):
        clock += reload_s
        for _ in range(per_bar):
            clock, parts = clock + cycle_s, parts + 1
    assert endurance_s(left, bars, per_bar, cycle_s, reload_s) == clock
    assert parts == left + bars * per_bar


amounts = st.one_of(st.none(), st.integers(0, 2000))


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 100_000), amounts, amounts, st.integers(0, 40), amounts, st.booleans()), min_size=1
    )
)
def test_the_limit_is_the_least_of_the_three(rows):
    names = ("busy_s", "bars", "parts_left", "parts_per_bar", "order_left", "unattended")
    kinds = dict.fromkeys(names[:-1], pl.Int64) | {"unattended": pl.Boolean}
    frame = pl.DataFrame(rows, schema=kinds, orient="row").with_columns(
        pl.Series("standard_time_s", [50.0] * len(rows))
    )
    got = with_planned_parts(frame.lazy(), bars_bind=pl.col("unattended")).collect()
    for row, found in zip(rows, got.iter_rows(named=True), strict=True):
        busy_s, bars, left, per_bar, order, unattended = row
        limits = {"time": busy_s / 50}
        if unattended and bars is not None:
            limits["bars"] = bars * per_bar + (left or 0)
        if order is not None:
            limits["order"] = order
        least = min(limits.values())
        assert found["planned_parts"] == pytest.approx(least)
        assert found["limit"] in {name for name, parts in limits.items() if parts == pytest.approx(least)}

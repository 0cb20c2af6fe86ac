"""Floods, chattering, first-outs: alarms written out second by second."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.figures.alarm_load import AlarmLimits, AlarmLoad, alarm_load
from runlog.schema import ALARMS, SHIFT_FIGURES, SHIFT_PLANS, SPANS

TEN = datetime(2026, 3, 2, 22, tzinfo=UTC)
DAY = date(2026, 3, 2)


def came(seconds: float, code: str = "A", machine: str = "T01", **columns: object) -> dict:
    """An alarm that stands for five seconds and belongs to no stop."""
    at = TEN + timedelta(seconds=seconds)
    told = {"machine": machine, "start": at, "end": at + timedelta(seconds=5), "code": code, "text": f"alarm {code}"}
    return told | {"level": "FAULT", "first_out": False, "restated": False} | columns


def load(*alarms: dict, **limits: float) -> AlarmLoad:
    shift = {"machine": "T01", "shift_date": DAY, "shift": "night", "shift_start": TEN}
    ends = {"shift_end": TEN + timedelta(hours=8)}
    span = {"machine": "T01", "start": TEN, "end": TEN + timedelta(hours=8), "kind": "producing"}
    facts = {
        "alarms": table(ALARMS, *alarms),
        "shift_plans": table(SHIFT_PLANS, shift | ends, shift | ends | {"machine": "T02"}),
        "spans": table(SPANS, span, span | {"machine": "T02"}),
        "shift_figures": table(SHIFT_FIGURES, shift | {"pbt_s": 28_800.0, "no_signal_s": 0.0}),
    }
    return alarm_load(facts, limits=AlarmLimits(**limits))  # type: ignore[arg-type]


def table(schema, *rows: dict) -> pl.LazyFrame:
    return schema.conform(pl.LazyFrame([dict.fromkeys(schema.columns) | row for row in rows], schema=schema.schema))


def test_ten_alarms_within_ten_minutes_are_a_flood():
    """One a minute from 0 to 9; the sixth-newest leaves the ten minutes last: fewer than 5 from 5 x 60 + 600 s on."""
    told = load(*(came(60 * number, str(number)) for number in range(10)))
    flood = told.floods.row(0, named=True)
    assert (flood["alarms"], flood["most"], flood["first_code"]) == (10, 10, "0")
    assert flood["start"] == TEN
    assert flood["end"] == TEN + timedelta(seconds=300 + 600)
    assert told.machines.row(0, named=True)["flood_s"] == 900


def test_an_alarm_ten_minutes_ago_is_not_within_ten_minutes():
    """Ten alarms at 0, 66.7, ... 600 s: the first is gone when the tenth comes."""
    times = [600 * number / 9 for number in range(10)]
    assert load(*(came(at, str(at)) for at in times)).floods.height == 0
    assert load(*(came(at * 0.999, str(at)) for at in times)).floods.height == 1


def test_a_flood_goes_on_until_few_are_left_and_a_second_one_is_another():
    """Twelve at once, then three, 100 s apart, while those twelve still count; an hour later ten more."""
    first = [came(number, f"a{number}") for number in range(12)]
    slow = [came(100 * number, f"b{number}") for number in range(1, 4)]
    again = [came(3600 + number, f"c{number}") for number in range(10)]
    told = load(*first, *slow, *again)
    assert told.floods.select("alarms", "first_code").rows() == [(15, "a0"), (10, "c0")]


def test_alarms_of_two_machines_are_no_flood_of_one():
    told = load(*(came(number, str(number), machine=f"T0{1 + number % 2}") for number in range(18)))
    assert told.floods.height == 0


def test_alarms_at_one_instant_count_in_their_order():
    told = load(*(came(0, str(number)) for number in range(10)))
    assert told.floods.select("alarms", "most", "first_code").rows() == [(10, 10, "0")]


def test_chattering_is_the_same_alarm_three_times_within_a_minute():
    bouts = load(came(0), came(25), came(50), came(300), came(330), came(10, "B")).chattering
    assert bouts.select("code", "alarms").rows() == [("A", 3)]
    # 0, 30 and 60 s: the third comes when the minute is over.
    assert load(came(0), came(30), came(60)).chattering.height == 0
    assert load(came(0), came(30), came(60), chatter_seconds=61).chattering.height == 1
    # Another alarm between them makes no difference, another machine does.
    assert load(came(0), came(10, machine="T02"), came(20)).chattering.height == 0


def test_first_out_consequence_and_no_stop_add_up():
    stop = TEN + timedelta(seconds=1)
    told = load(
        came(0, "A", stop=stop, first_out=True),
        came(2, "B", stop=stop),
        came(3, "B", stop=stop),
        came(4, "C", stop=stop),
        came(500, "B"),
        came(600, "A", stop=stop + timedelta(hours=1), first_out=True),
        came(700, "A", restated=True),
    )
    assert told.alarms == 6
    rows = told.frequent.select("code", "alarms", "first_out", "consequence", "no_stop").rows()
    assert rows == [("B", 3, 0, 2, 1), ("A", 2, 2, 0, 0), ("C", 1, 0, 1, 0)]
    assert told.frequent["share"].to_list() == pytest.approx([3 / 6, 2 / 6, 1 / 6])
    pairs = told.leads_to.select("code", "then_code", "alarms", "stops_with", "stops").rows()
    assert pairs == [("A", "B", 2, 1, 2), ("A", "C", 1, 1, 2)]


def test_what_stands_for_more_than_a_day_is_stale():
    long = came(0, "A", end=None)
    assert load(long, stale_hours=7.9).machines.row(0, named=True)["stale"] == 1
    assert load(long, stale_hours=8).machines.row(0, named=True)["stale"] == 0


def test_only_the_most_frequent_are_told_and_no_alarm_is_no_error():
    told = load(*(came(100 * number, str(number)) for number in range(30)), most_frequent=4)
    assert (told.frequent.height, told.kinds) == (4, 30)
    assert told.frequent["share"].sum() == pytest.approx(4 / 30)
    none = load()
    assert (none.alarms, none.kinds, none.first, none.frequent.height) == (0, 0, None, 0)
    assert none.machines.select("machine", "alarms", "days").rows() == [("T01", 0, 8 / 24), ("T02", 0, 8 / 24)]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(0, 3000), max_size=60), st.integers(2, 12), st.integers(1, 5))
def test_floods_are_those_of_a_clock_that_looks_every_second(times, begins, ends):
    """Second by second: on from `begins` alarms in the last ten minutes, until there are fewer than `ends`."""
    ends = min(begins, ends)
    told = load(*(came(at) for at in sorted(times)), flood_begins=begins, flood_ends=ends).floods
    on, spells = False, 0
    for second in range(3700):
        count = sum(second - 600 < at <= second for at in times)
        if not on and count >= begins:
            on, spells = True, spells + 1
        elif on and count < ends:
            on = False
    assert told.height == spells
    assert told["alarms"].to_list() == [] or min(told["alarms"].to_list()) >= begins

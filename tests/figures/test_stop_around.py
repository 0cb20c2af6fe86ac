"""The log around a stop: which events, in which order, and where to begin to read."""

from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from runlog.figures.stop_around import around, events_around, from_right_before
from runlog.schema import EVENTS

START = datetime(2026, 3, 2, 22, 33, 20, tzinfo=UTC)


def log(*told: dict[str, Any]) -> pl.LazyFrame:
    """Events of T01 by seconds after the start of the stop."""
    rows = [
        {"machine": "T01", "line": number, "cell": 0, "head": False, "item": "EXECUTION", "component": "path"} | one
        for number, one in enumerate(told)
    ]
    frame = pl.DataFrame([{"at": START + timedelta(seconds=row.pop("after"))} | row for row in rows])
    return pl.concat([EVENTS.empty().collect(), frame], how="diagonal_relaxed").lazy()


def test_events_are_told_in_order_by_their_distance_from_the_start():
    told = events_around(log({"after": 1.5, "text": "STOPPED"}, {"after": -2, "level": "READY", "sub_type": ""}), START)
    assert told.select("after_s", "signal", "value").rows() == [
        (-2.0, "EXECUTION path", "READY"),
        (1.5, "EXECUTION path", "STOPPED"),
    ]


def test_what_is_told_again_at_the_head_of_a_file_is_left_out():
    assert events_around(log({"after": 0, "head": True}), START).is_empty()


def test_ten_minutes_before_and_five_after_but_not_beyond_its_end():
    begin, end = around(START, START + timedelta(hours=2))
    assert (START - begin, end - START) == (timedelta(minutes=10), timedelta(minutes=5, microseconds=1))
    assert around(START, START + timedelta(seconds=30))[1] - START == timedelta(seconds=30, microseconds=1)


def test_of_too_many_the_nearest_are_told():
    told = events_around(log(*({"after": after} for after in range(-500, 1))), START)
    assert (told.height, told["after_s"][0], told["after_s"][-1]) == (400, -399.0, 0.0)


def test_reading_begins_five_events_before_the_stop():
    told = events_around(log(*({"after": after} for after in (-60, -50, -40, -30, -20, -10, 0, 10))), START)
    assert from_right_before(told)["after_s"].to_list() == [-50, -40, -30, -20, -10, 0, 10]


def test_reading_begins_with_the_first_where_there_are_fewer():
    told = events_around(log({"after": -60}, {"after": 0}), START)
    assert from_right_before(told).height == 2
    assert from_right_before(told.clear()).is_empty()

"""Texts and times as they are printed."""

from datetime import UTC, datetime, timedelta

import pytest

from runlog.figures.night import Window
from runlog.report.writing import Clock, duration, number, plain


def night(start: datetime, hours: float = 8) -> Clock:
    end = start + timedelta(hours=hours)
    return Clock(Window(start.date(), start, end, end, end, "Europe/Berlin", attended=False))


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("bar not picked", "bar not picked"),
        ("\x1b[2J\x1b]0;gone\x07", " [2J ]0;gone "),
        ("line one\r\nline two\ttab", "line one  line two tab"),
        ("\u202egnp.exe", " gnp.exe"),
        ("Kühlmittel fehlt 冷却", "Kühlmittel fehlt 冷却"),
    ],
)
def test_what_a_log_says_cannot_steer_the_terminal(text: str, printed: str):
    assert plain(text) == printed


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (3570, "1:00 h"),
        (3569, "59 min"),
        (28800, "8:00 h"),
        (-40, "-40 s"),
    ],
)
def test_durations(seconds: float, said: str):
    assert duration(seconds) == said


def test_numbers_have_no_negative_zero():
    assert (number(-0.04, 1), number(-0.05 - 1e-9, 1), number(12.34)) == ("0.0", "-0.1", "12")


def test_times_are_local_and_name_the_day_only_outside_the_night():
    clock = night(datetime(2026, 3, 2, 21, tzinfo=UTC))
    assert clock.time(datetime(2026, 3, 2, 23, 30, tzinfo=UTC)) == "00:30"
    assert clock.time(datetime(2026, 3, 3, 5, 31, tzinfo=UTC)) == "Tue 06:31"
    assert clock.time(datetime(2026, 2, 20, 13, tzinfo=UTC)) == "20 Feb 2026 14:00"


def test_the_zone_is_named_where_an_hour_comes_twice():
    clock = night(datetime(2026, 10, 24, 20, tzinfo=UTC), 9)
    twice = [clock.time(datetime(2026, 10, 25, hour, 30, tzinfo=UTC)) for hour in (0, 1)]
    assert twice == ["02:30 CEST", "02:30 CET"]

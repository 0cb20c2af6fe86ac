"""Night shifts when the clocks change. Source: IANA tz database (2026f), transitions listed by instant in UTC."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from runlog.calendar import planned, shifts, unattended
from runlog.site import parse_site

SITE = """
[site]
name = "Anywhere"
time_zone = "{zone}"

[[shift]]
name = "night"
start = "22:00"
end = "06:00"
attended = false

[[machine]]
name = "T01"
"""


@pytest.mark.parametrize(
    ("zone", "spring", "autumn"),
    [
        ("Europe/London", date(2026, 3, 28), date(2026, 10, 24)),
        ("Europe/London", date(2025, 3, 29), date(2025, 10, 25)),
        ("Europe/Berlin", date(2026, 3, 28), date(2026, 10, 24)),
        ("America/Chicago", date(2026, 3, 7), date(2026, 10, 31)),
        ("Australia/Sydney", date(2026, 10, 3), date(2026, 4, 4)),
    ],
)
def test_night_of_seven_and_of_nine_hours(zone, spring, autumn):
    site = parse_site(SITE.format(zone=zone))
    for night, hours in ((spring, 7), (autumn, 9), (spring - timedelta(days=3), 8)):
        around = datetime(night.year, night.month, night.day, 12, tzinfo=UTC)
        nights = shifts(site, around - timedelta(days=2), around + timedelta(days=2))
        row = nights.filter(pl.col("shift_date") == night).row(0, named=True)
        assert row["shift_end"] - row["shift_start"] == timedelta(hours=hours)
        busy = planned(site, ["T01"], row["shift_start"], row["shift_end"]).filter(pl.col("shift_date") == night)
        assert (busy["end"] - busy["start"]).sum() == timedelta(hours=hours)


def test_berlin_transition_instant():
    """The autumn night of 2026 in Berlin starts at 20:00Z; the change is at 2026-10-25 01:00Z; it ends at 05:00Z."""
    site = parse_site(SITE.format(zone="Europe/Berlin"))
    row = unattended(site, datetime(2026, 10, 24, 21, tzinfo=UTC), datetime(2026, 10, 24, 22, tzinfo=UTC)).row(0)
    assert row == (datetime(2026, 10, 24, 20, tzinfo=UTC), datetime(2026, 10, 25, 5, tzinfo=UTC))


def test_weekend_is_one_window():
    """Friday night, Saturday and Sunday unattended: one window of 56 h, from Friday 22:00 to Monday 06:00."""
    text = (
        SITE.format(zone="Europe/Berlin")
        + """
[[shift]]
name = "weekend"
start = "06:00"
end = "22:00"
days = ["sat", "sun"]
attended = false

[[shift]]
name = "day"
start = "06:00"
end = "22:00"
days = ["mon", "tue", "wed", "thu", "fri"]
"""
    )
    found = unattended(parse_site(text), datetime(2026, 11, 21, 12, tzinfo=UTC), datetime(2026, 11, 21, 13, tzinfo=UTC))
    assert found.rows() == [(datetime(2026, 11, 20, 21, tzinfo=UTC), datetime(2026, 11, 23, 5, tzinfo=UTC))]


def test_closures_and_breaks_leave_planned_time():
    """A break cuts only machines marked `stops_for_breaks`; a closure cuts every machine or those it names."""
    text = (
        SITE.format(zone="UTC").replace(
            "attended = false", 'attended = false\nbreaks = [{ start = "02:00", end = "02:30" }]'
        )
        + """
[[machine]]
name = "T02"
stops_for_breaks = true

[[closure]]
start = 2026-01-13T04:00:00
end = 2026-01-13T05:00:00
machines = ["T01"]
"""
    )
    night = datetime(2026, 1, 12, 23, tzinfo=UTC)
    busy = planned(parse_site(text), ["T01", "T02"], night, night + timedelta(hours=1))
    assert busy.select("machine", "start", "end").rows() == [
        ("T01", datetime(2026, 1, 12, 22, tzinfo=UTC), datetime(2026, 1, 13, 4, tzinfo=UTC)),
        ("T01", datetime(2026, 1, 13, 5, tzinfo=UTC), datetime(2026, 1, 13, 6, tzinfo=UTC)),
        ("T02", datetime(2026, 1, 12, 22, tzinfo=UTC), datetime(2026, 1, 13, 2, tzinfo=UTC)),
        ("T02", datetime(2026, 1, 13, 2, 30, tzinfo=UTC), datetime(2026, 1, 13, 6, tzinfo=UTC)),
    ]

"""Night shifts when the clocks change (IANA tz database 2026f, transitions listed by instant in UTC), and ISO weeks."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from runlog.calendar import planned, shifts, unattended
from runlog.figures.groups import iso_week
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


@pytest.mark.parametrize(
    ("day", "week"),
    [
        ("2005-01-01", "2004-W53"), ("2005-12-31", "2005-W52"), ("2006-01-01", "2005-W52"), ("2007-01-01", "2007-W01"),
        ("2007-12-31", "2008-W01"), ("2008-12-28", "2008-W52"), ("2008-12-29", "2009-W01"), ("2009-12-31", "2009-W53"),
        ("2010-01-03", "2009-W53"), ("2020-12-31", "2020-W53"), ("2021-01-01", "2020-W53"), ("2024-12-30", "2025-W01"),
        ("2025-12-29", "2026-W01"), ("2026-01-01", "2026-W01"), ("2026-12-31", "2026-W53"), ("2027-01-03", "2026-W53"),
        ("2027-01-04", "2027-W01"),
    ],
)  # fmt: skip
def test_iso_weeks(day: str, week: str):
    """ISO 8601 week dates; examples as commonly printed with the standard (from memory)."""
    assert pl.select(iso_week(pl.lit(date.fromisoformat(day)))).item() == week


def test_long_years():
    """Years of 53 weeks from 2000 to 2040 by ISO 8601, as commonly printed (from memory)."""
    lasts = pl.DataFrame({"year": range(2000, 2041)}).with_columns(week=iso_week(pl.date("year", 12, 28)))
    assert lasts.filter(pl.col("week").str.ends_with("W53"))["year"].to_list() == [
        2004,
        2009,
        2015,
        2020,
        2026,
        2032,
        2037,
    ]

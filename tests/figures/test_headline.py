"""The first words of a night, for nights that differ."""

import dataclasses
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from dashboards import nights
from runlog.figures.headline import headline, log_words, slack_words, window_words
from runlog.figures.night import NightReview, Window, night_review

MORNING = datetime(2026, 11, 24, 5, 26, 2, tzinfo=UTC)


@pytest.fixture(scope="module")
def review() -> NightReview:
    shop = nights.site("T02", "T03")
    return night_review(nights.facts(shop), shop)


def with_machines(review: NightReview, **columns: object) -> NightReview:
    kinds = review.machines.schema
    changed = review.machines.with_columns(**{name: pl.lit(value, kinds[name]) for name, value in columns.items()})
    return dataclasses.replace(review, machines=changed)


def window(start: str, end: str, zone: str = "Europe/Berlin", attended: bool = False) -> Window:
    first, last = (datetime.fromisoformat(at).replace(tzinfo=UTC) for at in (start, end))
    return Window(date(2026, 11, 23), first, last, last, last, zone, attended)


def test_the_machine_that_stands_is_named_with_its_cause(review):
    words = headline(review, MORNING)
    assert words.lead == "Walk to T01 first"
    assert words.why == f"stopped at 23:33: misfeed (2101 {nights.ALARM})"
    assert words.machine == "T01"
    # T01 lost 217 parts of 76.667 s, 4.62 h; T02 13.65 parts, 0.29 h; T03 is not known.
    assert words.rest == "1 of 3 standing now · 0 of 3 within 0.25 h of plan · 4.9 standard h lost"


def test_an_older_night_sends_nobody_walking(review):
    older = dataclasses.replace(review, nights=[*review.nights, date(2026, 11, 24)])
    words = headline(older, MORNING)
    assert words.lead == "T01 lost most"
    assert "standing" not in words.rest


def test_a_machine_that_stands_is_worth_the_walk_though_it_lost_nothing(review):
    stands = with_machines(review, standing_now=True, hours_lost=0.0, planned_parts=288.0, ended_by="out of bars")
    assert headline(stands, MORNING).lead == "Walk to T01 first"


def test_nobody_walks_when_all_is_well(review):
    well = with_machines(review, standing_now=False, hours_lost=0.1, planned_parts=288.0, ended_by="window")
    words = headline(well, MORNING)
    assert (words.lead, words.why, words.machine) == ("Every machine made its plan", "", None)


def test_without_plans_a_run_broken_off_is_worth_the_walk(review):
    unplanned = with_machines(review, standing_now=False, hours_lost=None, planned_parts=None)
    assert headline(unplanned, MORNING).machine == "T01"
    assert headline(unplanned, MORNING).rest == "0 of 3 standing now"
    through = with_machines(unplanned, ended_by="window")
    assert headline(through, MORNING).lead == "No machine fell behind a plan"


def test_a_silent_log_is_said(review):
    assert review.machines.row(by_predicate=pl.col("machine") == "T03", named=True)["ending"] == "nothing in the log"


def test_an_ordinary_night_has_no_word_about_its_length():
    assert window_words(window("2026-11-23T21:00", "2026-11-24T05:00")) == "22:00 to 06:00, Europe/Berlin (CET)"


@pytest.mark.parametrize(
    ("start", "end", "said"),
    [
        (
            "2026-10-24T20:00",
            "2026-10-25T05:00",
            "22:00 CEST to 06:00 CET, Europe/Berlin: 9 h, the clocks went back",
        ),
        (
            "2026-03-28T21:00",
            "2026-03-29T04:00",
            "22:00 CET to 06:00 CEST, Europe/Berlin: 7 h, the clocks went forward",
        ),
        ("2026-11-20T21:00", "2026-11-23T05:00", "Fri 22:00 to Mon 06:00, Europe/Berlin (CET): 56 h"),
        ("2026-11-23T20:30", "2026-11-24T05:00", "21:30 to 06:00, Europe/Berlin (CET): 8.5 h"),
    ],
)
def test_other_lengths_are_said(start, end, said):
    assert window_words(window(start, end)) == said


@pytest.mark.parametrize(
    ("minutes", "age"),
    [(13, ", 13 min ago"), (89, ", 89 min ago"), (91, ", 2 h ago"), (60 * 72, ", 3 days ago"), (-5, "")],
)
def test_the_age_of_the_log_is_said(minutes, age):
    night = window("2026-11-23T21:00", "2026-11-24T05:00")
    said = log_words(night, night.log_end + timedelta(minutes=minutes))
    assert said == f"log read to Tue 24 Nov 06:00{age}; the night is over"


def test_a_night_still_running_is_said():
    night = window("2026-11-23T21:00", "2026-11-24T05:00")
    early = dataclasses.replace(night, seen_to=night.start, log_end=night.start)
    assert log_words(early, early.log_end).endswith("the night is still running")


def test_time_that_bars_left_free_is_said(review):
    # 28 800 s of 76.667 s are 375.65 parts; 12 bars give 288.
    assert "left 88 parts' worth of time free" in slack_words(review, "T01")
    # Time binds T02; nothing is known of T03.
    assert slack_words(review, "T02") == slack_words(review, "T03") == ""

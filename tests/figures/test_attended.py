"""A shop without unattended shifts: its last shift is reviewed, by what is still on at the end of it."""

from datetime import date

from derive.literal import SITE, log

from runlog.derive import derive
from runlog.figures.night import night_review
from runlog.site import parse_site

ATTENDED = parse_site(SITE.replace("attended = false\n", ""))
START = "0 avail AVAILABLE\n0 mode AUTOMATIC\n0 exec ACTIVE\n"


def review_of(text: str):
    facts = dict(derive(log(START + text), ATTENDED))
    return night_review(facts, ATTENDED, date(2026, 1, 12))


def test_a_stop_still_on_at_the_end_is_how_it_ended():
    first = review_of("100 exec FEED_HOLD\n3600 exec FEED_HOLD\n3700 exec ACTIVE").machines.row(0, named=True)
    assert (first["ended_by"], first["cause"]) == ("stop", "feed hold")
    assert first["finding"].startswith("stopped at 22:01: feed hold")


def test_a_machine_that_runs_at_the_end_of_the_log_is_running():
    """The shift from 23:00 on is the last of that date; the log ends within it, at 23:01:40."""
    review = review_of("3700 exec ACTIVE")
    assert (review.window.attended, review.window.running) == (True, True)
    assert review.machines["ended_by"].to_list() == ["still running"]


def test_quality_that_was_never_measured_is_not_0_good_parts():
    assert review_of("3700 exec ACTIVE").machines["good_parts"].to_list() == [None]


def test_production_without_a_standard_time_is_called_production():
    """From 23:00 to 23:01:40 ACTIVE, the program is of no job: 100 s of production, in no parts."""
    assert review_of("3700 exec ACTIVE").time.select("line", "seconds", "parts").rows() == [("production", 100.0, None)]

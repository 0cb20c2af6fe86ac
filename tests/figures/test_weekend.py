"""A window of more than a day: an hour of the clock needs its weekday."""

from datetime import date

from derive.literal import SITE, log

from runlog.derive import derive
from runlog.figures.night import night_review
from runlog.site import parse_site

WEEKEND = parse_site(SITE.replace('name = "day"', 'name = "day"\nattended = false'))
"""Day and night unattended: one window without end."""


def test_the_weekday_is_named():
    """Ten at night of second 0 is a Monday; stopped at 100 s, and still at 100 000 s, a Wednesday."""
    text = "0 avail AVAILABLE\n0 mode AUTOMATIC\n0 exec ACTIVE\n100 exec FEED_HOLD\n100000 exec FEED_HOLD"
    review = night_review(dict(derive(log(text), WEEKEND)), WEEKEND)
    assert review.window.hours > 24
    assert review.machines["ending"].to_list() == ["stopped at Mon 22:01: feed hold"]
    assert review.window.night < date(2026, 1, 13)

"""From how many parts on a batch pays for setting the feeder up, by hand and against trying every size."""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan.shops import shop

from runlog.plan.batches import Rhythm, batch_curve, changeovers, paying_batches, rhythm
from runlog.site import Changeover

MONDAY_NOON = datetime(2026, 11, 23, 12, tzinfo=UTC)


def test_the_steps_add_up():
    site, _ = shop()
    site = site.model_copy(update={"changeover": Changeover(size_s=60, pusher_s=120, liner_s=600, collet_s=240)})
    assert changeovers(site).rows() == [
        ("size setting only", 60.0),
        ("size, pusher", 180.0),
        ("size, pusher, liner", 780.0),
        ("size, pusher, liner, collet", 1020.0),
    ]


def test_the_rhythm_of_a_shop_by_hand():
    """A night holds the 288 parts of a full magazine; the 16 attended hours up to the next 57 600 / 76.667 = 751.3."""
    site, job = shop()
    assert rhythm(site, "T01", job, MONDAY_NOON) == Rhythm(75 + 40 / 24, 288, 751)
    site = site.model_copy(update={"shift": [shift for shift in site.shift if shift.attended]})
    assert rhythm(site, "T01", job, MONDAY_NOON) is None


def test_the_curve_by_hand():
    """100 s a part, 30 parts a night and 50 a day. A batch of 100: 30 by night, 50 by day, 20 by night: 50 x 100 s =
    1.389 h with nobody there; less 900 s of changeover 1.139 h. 60 parts gain no more than 30 do.
    """
    site, _ = shop()
    site = site.model_copy(update={"changeover": Changeover(size_s=900, pusher_s=0, liner_s=0, collet_s=0)})
    curve = batch_curve(Rhythm(100.0, 30, 50), changeovers(site).head(1), (30, 60, 100))
    assert curve["unattended_h"].to_list() == pytest.approx([3000 / 3600, 3000 / 3600, 5000 / 3600])
    assert curve["net_h"].to_list() == pytest.approx([2100 / 3600, 2100 / 3600, 4100 / 3600])


def test_the_paying_batch_by_hand():
    """2100 s at 76.667 s a part: 27.4, so 28 parts; a night of 20 parts needs a day of 50 and 8 more: 78."""
    site, _ = shop()
    last = changeovers(site).tail(1)
    pri_s = 75 + 40 / 24
    assert paying_batches(Rhythm(pri_s, 288, 751), last)["paying_batch"].to_list() == [28]
    assert paying_batches(Rhythm(pri_s, 20, 50), last)["paying_batch"].to_list() == [78]
    assert paying_batches(Rhythm(pri_s, 0, 50), last)["paying_batch"].to_list() == [None]


@settings(deadline=None)
@given(st.integers(1, 50), st.integers(0, 80), st.integers(0, 2000))
def test_the_paying_batch_is_the_first_of_the_curve_that_pays(night, day, changeover_s):
    site, _ = shop()
    site = site.model_copy(update={"changeover": Changeover(size_s=changeover_s, pusher_s=0, liner_s=0, collet_s=0)})
    changes = changeovers(site).head(1)
    found = paying_batches(Rhythm(64.0, night, day), changes)["paying_batch"][0]
    curve = batch_curve(Rhythm(64.0, night, day), changes, tuple(range(found + 2)))
    assert curve["net_h"].is_sorted()
    assert curve.filter(curve["net_h"] >= -1e-12)["batch"].min() == found

"""Which days: weeks by ISO 8601, the last whole one, and what is said where there is nothing."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from derive.literal import SITE, log
from figures.shop import shop

from runlog.derive import derive
from runlog.errors import RunlogError
from runlog.figures.period import Period, held_near, period_of
from runlog.schema import INSTANT
from runlog.site import parse_site


def test_without_a_word_it_is_the_last_whole_week():
    """The log runs from Monday 5 to Saturday 17 October: the second week is not over."""
    facts, site, _ = shop()
    period = period_of(facts, site)
    assert (period.week, period.first, period.last) == ("2026-W41", date(2026, 10, 5), date(2026, 10, 11))
    assert period.whole
    assert not period_of(facts, site, week="2026-W42").whole


def test_week_53_of_2026_goes_from_december_into_january():
    """Monday 28 December 2026 to Sunday 3 January 2027, by its number or by its days."""
    site = parse_site(SITE)
    # Second 0 of the literal log is 12 January 2026; 352 days later it is 30 December.
    at = 352 * 86_400
    facts = dict(derive(log(f"{at} avail AVAILABLE\n{at} exec ACTIVE\n{at + 86400 * 6} exec READY"), site))
    period = period_of(facts, site, week="2026-W53")
    assert (period.first, period.last) == (date(2026, 12, 28), date(2027, 1, 3))
    assert period_of(facts, site, first=date(2026, 12, 28), last=date(2027, 1, 3)).week == "2026-W53"


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"week": "2026-W54"}, "no such week"),
        ({"week": "2025-W53"}, "no such week"),
        ({"week": "12"}, "such as 2026-W12"),
        ({"week": "2026-W12"}, "nothing in the log, days from 2026-10-05 to 2026-10-16 expected"),
        ({"first": date(2026, 10, 9), "last": date(2026, 10, 8)}, "not after the last"),
        ({"week": "2026-W41", "first": date(2026, 10, 9)}, "only one of the two"),
    ],
)
def test_what_cannot_be_is_said(asked, said):
    facts, site, _ = shop()
    with pytest.raises(RunlogError, match=said):
        period_of(facts, site, **asked)


def test_no_facts_yet():
    site = parse_site(SITE)
    empty = dict(derive(log("0 exec READY").head(0), site))
    with pytest.raises(RunlogError, match="holds no facts yet"):
        period_of(empty, site)


def test_rows_near_a_period_are_those_that_reach_into_it():
    """A week in March 2026: a bar loaded in January and finished in it stays, what ended or began a month off goes."""
    week = Period(
        date(2026, 3, 2), date(2026, 3, 8), "2026-W10", datetime(2026, 3, 9, tzinfo=UTC), True, "Europe/Berlin"
    )
    day = {name: datetime(2026, month, 5, 12, tzinfo=UTC) for name, month in (("january", 1), ("march", 3), ("may", 5))}
    bars = pl.LazyFrame(
        [
            ("finished in it", day["january"], day["march"]),
            ("finished before", day["january"], day["january"]),
            ("loaded after", day["may"], None),
            ("still in", day["march"], None),
        ],
        schema={"bar": pl.String(), "loaded_at": INSTANT, "finished_at": INSTANT},
        orient="row",
    )
    plans = pl.LazyFrame({"shift_date": [date(2026, 2, 21), date(2026, 2, 22), date(2026, 3, 16), date(2026, 3, 17)]})
    before = {"bars": timedelta(), "shift_plans": timedelta()}
    near = held_near({"bars": bars, "shift_plans": plans, "parts": bars}, week, before)
    assert near["bars"].collect()["bar"].to_list() == ["finished in it", "still in"]
    assert near["shift_plans"].collect()["shift_date"].to_list() == [date(2026, 2, 22), date(2026, 3, 16)]
    assert near["parts"].collect().height == 4

"""What unattended running brings, by hand."""

from datetime import timedelta

import polars as pl
import pytest
from figures.runs import SITE, START, night, night_facts

from runlog.figures.worth import unattended_worth
from runlog.schema import SHIFT_FIGURES


def day(number: int, hours: float, parts: int, off_h: float = 0.0) -> dict:
    at = START + timedelta(days=number)
    row = {
        "machine": "T01",
        "shift_date": at.date(),
        "shift": "day",
        "job": "bush",
        "attended": True,
        "pbt_s": 57_600.0,
    }
    row |= {"producing_s": hours * 3600, "reload_planned_s": 0.0, "reload_overrun_s": 0.0, "no_signal_s": 0.0}
    return (
        dict.fromkeys(SHIFT_FIGURES.columns) | row | {"parts": parts, "off_plan_s": off_h * 3600, "off_plan_parts": 0}
    )


def week() -> dict[str, pl.LazyFrame]:
    """Seven days of 10 h; five whole nights, one stopped after 2 h by a jam with 92 parts, one out of bars at 3 h."""
    nights = [night("T01", n) for n in range(5)]
    nights += [night("T01", 5, 2.0, "stop", "bar jammed", parts=92)]
    nights += [night("T01", 6, 3.0, "out of bars", "magazine empty")]
    facts = night_facts(*nights)
    days = pl.LazyFrame([day(n, 10.0, 400, off_h=0.5) for n in range(7)], schema=SHIFT_FIGURES.schema)
    return facts | {"shift_figures": pl.concat([facts["shift_figures"], days])}


def test_hours_of_a_week_beside_the_attended_ones():
    found = unattended_worth(week(), SITE, hour_value=40.0)
    times = found.times.rows_by_key("time", named=True, unique=True)
    assert found.weeks == 1.0
    assert times["attended"]["worked_h"] == pytest.approx(70)
    assert times["unattended"]["worked_h"] == pytest.approx(5 * 8 + 2 + 3)
    assert times["outside shifts"]["worked_h"] == pytest.approx(3.5)
    assert times["unattended"]["value"] == pytest.approx(45 * 40)
    assert times["attended"]["parts"] == 2800
    assert times["attended"]["good_parts"] is None
    assert found.share == pytest.approx(45 / 70)


def test_what_each_cause_takes():
    """The jam left 6 h, room for 375.65 - 92 = 283.65 parts of 76.667 s, which is 6.04 h: so 6 h.

    No other cause ends runs than the bars, once in 45 h: it would have left (1 - exp(-6 / 45)) x 45 h of the six.
    """
    causes = unattended_worth(week(), SITE).causes.rows_by_key("cause", named=True, unique=True)
    jam, bars = causes["bar jammed"], causes["too few bars in the magazine"]
    assert (jam["stops"], jam["lost_h"]) == (1, pytest.approx(6))
    assert jam["gained_h"] == pytest.approx(45 * (1 - 2.718281828 ** (-6 / 45)))
    assert jam["gained_parts"] == pytest.approx(jam["gained_h"] * 3600 / (75 + 40 / 24))
    assert jam["without_h"] == pytest.approx(45 + jam["gained_h"])
    assert bars["lost_h"] == pytest.approx(5)
    assert jam["gained_value"] is None


def test_nothing_in_the_log():
    found = unattended_worth(night_facts(), SITE)
    assert (found.times.height, found.causes.height, found.share, found.first) == (0, 0, None, None)


def test_days_can_be_named():
    first = START.date()
    found = unattended_worth(week(), SITE, first=first, last=first + timedelta(days=1))
    assert found.weeks == pytest.approx(2 / 7)
    assert found.causes.height == 0

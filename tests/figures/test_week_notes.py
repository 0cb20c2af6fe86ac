"""Actions of a week: what is open is in sight, whenever it was noted."""

from datetime import UTC, date, datetime

import polars as pl
import pytest
from figures.nights import SITE

from runlog.errors import RunlogError
from runlog.figures.period import Period
from runlog.figures.week_notes import actions
from runlog.notes import action_note, done_note, remark_note
from runlog.site import parse_site

SHOP = parse_site(SITE)


def monday(day: int) -> datetime:
    """Noon of a Monday of March 2026: the 2nd, 9th, 16th."""
    return datetime(2026, 3, day, 12, tzinfo=UTC)


def week(first: int) -> Period:
    return Period(date(2026, 3, first), date(2026, 3, first + 6), "", monday(first), True, "Europe/Berlin")


def noted(day: int) -> pl.DataFrame:
    return action_note("order a liner", SHOP, owner="B. Jones", due=date(2026, 3, 27), who="A", now=monday(day))


def listed(first: int, *notes: pl.DataFrame) -> list[bool]:
    """Actions on the page of a week, and whether each is open."""
    return actions(pl.concat(notes).lazy(), week(first), None, monday(16))["open"].to_list()


def test_what_is_noted_when_the_week_is_over_is_in_sight_where_it_was_noted():
    assert listed(2, noted(16)) == [True]
    assert listed(16, noted(16)) == [True]


def test_what_was_done_stays_with_the_weeks_in_which_it_was_open():
    action = noted(2)
    done = done_note(action.row(0, named=True), who="B. Jones", now=monday(9))
    assert listed(2, action, done) == [False]
    assert listed(9, action, done) == [False]
    assert listed(16, action, done) == []


def test_what_was_noted_and_done_after_a_week_is_not_told_of_it():
    action = noted(16)
    assert listed(2, action, done_note(action.row(0, named=True), who="B. Jones", now=monday(16))) == []


def test_nothing_said_asks_for_what_belongs_there():
    with pytest.raises(RunlogError, match="what is to be done expected"):
        action_note(" ", SHOP, owner="B. Jones", due=date(2026, 3, 27), who="A")
    with pytest.raises(RunlogError, match="what is worth knowing expected"):
        remark_note(" ", date(2026, 3, 2), SHOP, who="A")

"""A review of a night is the same whether its windows are found for it or known already."""

import dataclasses
from datetime import date

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from dashboards import nights
from runlog.errors import RunlogError
from runlog.figures.night import Facts, NightReview, night_review, windows_of
from runlog.site import Site


@pytest.fixture(scope="module")
def shop() -> Site:
    return nights.site("T02", "T03")


@pytest.fixture(scope="module")
def facts(shop: Site) -> Facts:
    return nights.facts(shop)


def alike(one: NightReview, other: NightReview) -> None:
    for field in dataclasses.fields(NightReview):
        here, there = getattr(one, field.name), getattr(other, field.name)
        if isinstance(here, pl.DataFrame):
            assert_frame_equal(here, there)
        else:
            assert here == there


def test_windows_known_already_change_nothing(facts, shop):
    alike(night_review(facts, shop, windows=windows_of(facts, shop)), night_review(facts, shop))


def test_one_machine_has_the_nights_of_its_own_log(facts, shop):
    later = dataclasses.replace(windows_of(facts, shop), log_end=nights.TEN_AT_NIGHT)
    alike(night_review(facts, shop, machine="T01", windows=later), night_review(facts, shop, machine="T01"))


def test_known_windows_are_those_looked_in(facts, shop):
    known = windows_of(facts, shop)
    assert night_review(facts, shop, windows=known).window.start == known.spans[-1][0]
    with pytest.raises(RunlogError, match="no night in the log"):
        night_review(facts, shop, date(2020, 1, 1), windows=known)


def test_without_facts_the_next_step_is_told(facts, shop):
    nothing = {name: frame.clear() for name, frame in facts.items()}
    with pytest.raises(RunlogError, match="runlog ingest"):
        windows_of(nothing, shop)


def test_lines_of_the_account_of_one_name_stand_in_the_order_of_their_causes(facts, shop):
    losses = facts["shift_losses"]
    more = pl.concat([losses.with_columns(cause=pl.lit(cause)) for cause in ("z", "m", "a", "k", "b")])
    told = night_review({**facts, "shift_losses": more}, shop).time.filter(pl.col("line") == "stops")
    assert told["cause"].to_list() == ["a", "b", "k", "m", "z"]

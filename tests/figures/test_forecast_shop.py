"""All machines of a night together: what adds up, what multiplies, and what is not known."""

from datetime import UTC, datetime

import polars as pl
import pytest

from runlog.derive import derive
from runlog.figures.forecast import NIGHTS
from runlog.figures.forecast_shop import shop_forecast
from runlog.figures.tonight import past_nights, tonight_review
from runlog.simulator import simulate_frames
from runlog.site import parse_site

NOW = datetime(2026, 8, 17, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def review():
    events, _, toml = simulate_frames(start=NOW.date().replace(month=7, day=6), weeks=6, seed=4, machines=3)
    site = parse_site(toml)
    facts = {name: frame.collect().lazy() for name, frame in derive(events.lazy(), site).items()}
    return tonight_review(facts, site, NOW, draws=4000, past=past_nights(facts, site))


def test_parts_add_up_and_chances_multiply(review):
    """Means add up whatever the draws; independent chances multiply, within 4 times sqrt(0.25 / 4000)."""
    known = review.machines.filter(pl.col("reach").is_not_null())
    assert review.shop.machines == known.height == 3
    assert review.shop.parts == pytest.approx(known["parts"].sum(), rel=0.02)
    assert review.shop.all_reach == pytest.approx(known["reach"].product(), abs=0.032)


def test_the_range_of_all_is_narrower_than_the_sum_of_ranges(review):
    known = review.machines.filter(pl.col("reach").is_not_null())
    width = known.select((pl.col("parts_high") - pl.col("parts_low")).sum()).item()
    assert 0 < review.shop.high - review.shop.low < width
    assert review.shop.low <= review.shop.parts <= review.shop.high


def test_at_its_start_a_machine_is_at_work_and_at_the_end_as_often_as_forecast(review):
    hours = review.shop.hours
    for name, still in review.machines.select("machine", "still_running").rows():
        line = hours.filter(pl.col("machine") == name)["at_work"]
        assert line[0] == 1.0
        assert (line.diff().drop_nulls() <= 0).all()
        assert line[-1] == pytest.approx(still, abs=0.05)


def test_nothing_to_go_by_is_none():
    events, _, toml = simulate_frames(days=2, seed=1, machines=1)
    site = parse_site(toml)
    history = past_nights(derive(events.lazy(), site), site).history
    assert shop_forecast(pl.DataFrame(schema=NIGHTS), history) is None

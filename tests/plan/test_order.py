"""The stock of an order, by hand, and that nothing of it goes missing."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan.shops import shop

from runlog.plan.order import order_stock


def test_stock_by_hand():
    """24 parts a bar: 1000 = 41 x 24 + 16, so 42 bars of 1.2 m, 50.4 m. The last gives 16, and
    1200 - 5 - 16 x 45.5 = 467 mm come back. 41 remnants of 103 mm are 4.223 m, 42 top cuts 0.21 m, 1000 pitches
    45.5 m; together 50.4 m. Round 32 mm at 7.9 kg/dm3: pi/4 x 0.32 dm^2 x 7.9 = 6.3536 kg/m, so 320.22 kg, at 5.2
    EUR/kg 1665.14 EUR.
    """
    site, job = shop()
    stock = order_stock(site, "T01", job, 1000)
    assert stock
    assert (stock.bars, stock.last_bar_parts) == (42, 16)
    assert stock.bars_used == pytest.approx(1000 / 24)
    lengths = (stock.ready_m, stock.in_parts_m, stock.top_cuts_m, stock.remnants_m, stock.returned_m)
    assert lengths == (50.4, 45.5, 0.21, 4.223, 0.467)
    assert stock.ready_kg == pytest.approx(50.4 * 6.3536, rel=1e-4)
    assert stock.used_kg == pytest.approx((50.4 - 0.467) * 6.3536, rel=1e-4)
    assert stock.ready_cost == pytest.approx(1665.14, abs=0.01)
    assert stock.bar_end_share == pytest.approx(108 / 1200)  # remnant 103 and top cut 5


def test_whole_bars_give_nothing_back():
    site, job = shop()
    stock = order_stock(site, "T01", job, 48)
    assert stock
    assert (stock.bars, stock.bars_used, stock.last_bar_parts, stock.returned_m) == (2, 2.0, 24, 0.0)
    assert stock.remnants_m == 0.206


def test_nothing_wanted_takes_nothing():
    site, job = shop()
    stock = order_stock(site, "T01", job, 0)
    assert stock
    assert (stock.bars, stock.ready_m, stock.ready_kg, stock.returned_m) == (0, 0.0, 0.0, 0.0)


def test_a_preset_countdown_takes_more_bars_and_leaves_longer_remnants():
    """20 of 24: 1000 parts take 50 bars, each with 1195 - 20 x 45.5 = 285 mm left."""
    site, job = shop(parts_per_bar=20)
    stock = order_stock(site, "T01", job, 1000)
    assert stock
    assert (stock.bars, stock.remnants_m) == (50, 14.25)


def test_without_a_price_there_is_no_cost_and_without_a_part_no_stock():
    site, job = shop(price_per_kg=None)
    stock = order_stock(site, "T01", job, 10)
    assert stock
    assert stock.ready_cost is stock.used_cost is None
    site, job = shop(bar_mm=130)
    assert order_stock(site, "T01", job, 10) is None
    with pytest.raises(ValueError, match="must not be negative, got -1"):
        order_stock(site, "T01", job, -1)


@settings(deadline=None)
@given(st.integers(0, 5000), st.integers(150, 4000), st.integers(10, 900), st.integers(0, 80))
def test_the_stock_account_closes_and_is_enough(parts, bar_mm, part_tenths, top_cut_tenths):
    site, job = shop(bar_mm=bar_mm, part_mm=part_tenths / 10, top_cut_mm=top_cut_tenths / 10)
    stock = order_stock(site, "T01", job, parts)
    if stock is None:
        return
    account = stock.in_parts_m + stock.top_cuts_m + stock.remnants_m + stock.returned_m
    assert stock.ready_m == pytest.approx(account, abs=1e-9)
    per_bar = order_stock(site, "T01", job, 1)
    assert per_bar
    assert stock.bars - 1 < stock.bars_used <= stock.bars or parts == 0

"""Change point, run lengths of charts, rates of many groups and of strata against printed values."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from runlog.statistics.change_point import change_point
from runlog.statistics.charts import (
    cusum,
    cusum_limit,
    cusum_run_length,
    ewma_run_length,
    ewma_width,
    self_starting,
)
from runlog.statistics.counts import (
    fewer_in_strata_p,
    fitted_gamma,
    more_per_hour_p,
    rate_ratio,
    widened_per_hour,
)

COAL = [
    4, 5, 4, 0, 1, 4, 3, 4, 0, 6, 3, 3, 4, 0, 2, 6, 3, 3, 5, 4, 5, 3, 1, 4, 4, 1, 5, 5, 3, 4, 2, 5, 2, 2, 3, 4, 2, 1,
    3, 2, 2, 1, 1, 1, 1, 3, 0, 0, 1, 0, 1, 1, 0, 0, 3, 1, 0, 3, 2, 2, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 2, 1, 0, 0, 0,
    1, 1, 0, 2, 3, 3, 1, 1, 2, 1, 1, 1, 1, 2, 4, 2, 0, 0, 0, 1, 4, 0, 0, 0, 1, 0, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1,
]  # fmt: skip
"""Disasters in British coal mines a year, 1851 to 1962 (Jarrett, Biometrika 66 (1979) 191-193; from memory)."""
PUMPS = [5, 1, 5, 14, 3, 19, 1, 1, 4, 22], [94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5]
"""Failures and thousand hours of ten pumps (Gaver and O'Muircheartaigh, Technometrics 29 (1987) 1-15; from memory)."""


def test_coal_mines_changed_after_forty_one_years():
    """Carlin, Gelfand and Smith, Applied Statistics 41 (1992) 389-405: likeliest after the 41st year, 1891."""
    found = change_point(np.array(COAL) >= 2)
    assert found is not None
    assert found.split == 41
    assert found.p < 1e-6


@settings(deadline=None, max_examples=20)
@given(st.integers(2, 10).flatmap(lambda size: st.tuples(st.just(size), st.integers(1, size - 1))))
def test_chance_of_a_change_point_is_that_of_all_orders(sizes):
    size, bad = sizes
    orders = [np.isin(np.arange(size), chosen) for chosen in combinations(range(size), bad)]
    found = [change_point(order) for order in orders]
    gains = np.array([one.statistic for one in found if one])
    for one in found:
        assert one is not None
        assert one.p == pytest.approx((gains >= one.statistic - 1e-9).mean())


def test_a_series_all_alike_has_no_change_point():
    assert change_point([0, 0, 0]) is None
    assert change_point([1]) is None


@pytest.mark.parametrize(("weight", "width"), [(0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)])
def test_ewma_of_lucas_and_saccucci(weight, width):
    """Technometrics 32 (1990) 1-12: these pairs run 500 values on average (from memory)."""
    assert ewma_run_length(weight, width) == pytest.approx(500, rel=2e-3)
    assert ewma_width(500, weight) == pytest.approx(width, abs=1e-3)


def test_cusum_of_siegmund():
    """D. C. Montgomery, Introduction to Statistical Quality Control, on Siegmund's formula: slack 1/2, limit 5 run
    938.2 values on one side, 469.1 on both; exact 465 (from memory)."""
    assert round(cusum_run_length(0.5, 5), 1) == 469.1
    assert cusum_limit(469.1, 0.5) == pytest.approx(5, abs=1e-3)


def test_run_length_of_a_cusum_as_counted():
    rng = np.random.default_rng(3)
    lengths = []
    for _ in range(1500):
        signal = cusum(rng.normal(size=3000), 0, 0.5, 4.0).first_signal
        lengths.append(3000 if signal is None else signal + 1)
    assert np.mean(lengths) == pytest.approx(cusum_run_length(0.5, 4.0), rel=0.08)


def test_self_starting_values_by_hand():
    """1, 3, 2, 6: before the third mean 2, spread sqrt 2; before the fourth mean 2, spread 1."""
    score = self_starting([1, 3, 2, 6])
    assert score[:3].tolist() == [0, 0, 0]
    t = 4 * np.sqrt(3 / 4)
    assert score[3] == pytest.approx(stats.norm.ppf(stats.t.cdf(t, 2)))


def test_self_starting_values_are_standard_normal_however_few():
    rng = np.random.default_rng(5)
    score = np.array([self_starting(rng.normal(50, 7, 7))[2:] for _ in range(6000)])
    assert score.mean(axis=0) == pytest.approx(np.zeros(5), abs=0.05)
    assert score.std(axis=0) == pytest.approx(np.ones(5), abs=0.04)
    assert np.corrcoef(score.T)[np.triu_indices(5, 1)] == pytest.approx(np.zeros(10), abs=0.05)


def test_equal_values_make_no_score():
    assert self_starting([4.0] * 6).tolist() == [0.0] * 6
    assert self_starting([1.0]).tolist() == [0.0]


def test_pumps_of_gaver_and_o_muircheartaigh():
    """Shape 0.82297, rate 1.26165 and these rates by another program's marginal maximum likelihood."""
    prior = fitted_gamma(*PUMPS)
    assert (prior.shape, prior.rate) == pytest.approx((0.82297, 1.26165), abs=2e-4)
    shrunken = [0.0609, 0.1075, 0.0908, 0.1165, 0.5880, 0.6069, 0.7886, 0.7886, 1.4347, 1.9405]
    assert prior.shrunken(*PUMPS) == pytest.approx(shrunken, abs=1e-4)


def test_pumps_alike_have_one_rate():
    prior = fitted_gamma([10, 11, 9, 10], [10, 10, 10, 10])
    assert prior.shrunken([10, 11, 9, 10], [10] * 4) == pytest.approx(np.ones(4), abs=0.01)


def test_rates_of_many_groups_are_those_of_one_by_one():
    one = rate_ratio(11, 800, 21, 3011)
    assert float(more_per_hour_p([11, 0], [800, 10], [21, 5], [3011, 100])[0]) == pytest.approx(one.p_higher)
    assert float(more_per_hour_p([0], [10], [5], [100])[0]) == 1.0
    low, high = widened_per_hour([4, 4], [10, 10], [1, 4])
    # Garwood for 4: 1.090 to 10.242; four times fewer: one event in 2.5 h, 0.0253 to 5.5716.
    assert low == pytest.approx([0.109, 0.0253 / 2.5], abs=1e-4)
    assert high == pytest.approx([1.0242, 5.5716 / 2.5], abs=1e-4)


def test_one_stratum_is_the_plain_comparison():
    assert fewer_in_strata_p([2], [100], [9], [80]) == pytest.approx(rate_ratio(2, 100, 9, 80).p_lower)


def test_strata_by_hand():
    """Two jobs, each as long before as after; 1 of 2 and 0 of 1 faults after: 1 or fewer of three fair coins."""
    assert fewer_in_strata_p([1, 0], [10, 5], [1, 1], [10, 5]) == pytest.approx(0.5)
    # A job that ran at one time only says nothing.
    assert fewer_in_strata_p([1, 0, 7], [10, 5, 3], [1, 1, 0], [10, 5, 0]) == pytest.approx(0.5)

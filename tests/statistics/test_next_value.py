"""A new value against those before it, by hand."""

import numpy as np
import pytest

from runlog.statistics.next_value import Values, next_range, surprise


def known(*series: list[float]) -> Values:
    return Values(*(np.array([of(one) for one in series]) for of in (len, np.mean, lambda one: np.std(one, ddof=1))))


def test_the_range_of_the_next_value_by_hand():
    """Mean 4, s 2, n 4: half = t(0.975, 3) x 2 x sqrt(1.25) = 3.182446 x 2.236068."""
    values = [2.0, 3.0, 4.0, 7.0]
    spread = 2.160247  # sqrt((4 + 1 + 0 + 9) / 3)
    half = 3.182446 * spread * 1.25**0.5
    low, high = next_range(known(values))
    assert (low[0], high[0]) == pytest.approx((4 - half, 4 + half), abs=1e-5)


def test_a_value_at_the_edge_of_its_range_has_that_p():
    values = [10.0, 12.0, 11.0, 9.0, 13.0, 10.5, 11.5]
    low, high = next_range(known(values), 0.9)
    assert surprise(known(values), low) == pytest.approx(0.1)
    assert surprise(known(values), high) == pytest.approx(0.1)


def test_values_that_never_differed():
    both = known([3.0, 3.0, 3.0], [3.0, 3.0, 3.0, 3.0])
    assert surprise(both, np.array([3.0, 3.1])).tolist() == [1.0, 0.0]

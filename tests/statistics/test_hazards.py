"""Rates and chances from few events: by hand, against each other, and their honesty where little was seen."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.statistics.hazards import (
    FIRST_H,
    MOST_FROM_OTHERS,
    BetaChances,
    GammaRates,
    Stages,
    beta_posterior,
    gamma_posterior,
)


def test_a_unit_alone_has_its_own_events_and_half_a_one():
    found = gamma_posterior([3], [120.0])
    assert (found.shape.tolist(), found.rate.tolist()) == ([3.5], [120.0])
    failing = beta_posterior([2], [50])
    assert (failing.alpha.tolist(), failing.beta.tolist()) == ([2.5], [48.5])


def test_two_units_by_hand():
    """0 and 8 stops in 100 h each, so a mean of 8.5 / 200 = 0.0425.

    Squares 100 x 0.0425^2 + 100 x 0.0375^2 = 0.32125, weight 200 - 20000 / 200 = 100, between units
    (0.32125 - 0.0425) / 100 = 0.0027875: worth 0.0425^2 / 0.0027875 = 0.64798 events.
    """
    found = gamma_posterior([0, 8], [100.0, 100.0])
    worth = 0.0425**2 / 0.0027875
    assert found.shape == pytest.approx([worth, 8 + 0.5])
    assert found.rate[0] == pytest.approx(100 + worth / 0.0425)
    # The other has seen no stop: it counts for half a one.
    assert found.rate[1] == pytest.approx(100 + 0.5 / 0.0425)


def test_units_that_are_alike_share_what_they_know_but_no_more_than_some_events():
    found = gamma_posterior([20] * 10, [1000.0] * 10)
    assert found.shape == pytest.approx(20 + MOST_FROM_OTHERS)
    assert found.mean == pytest.approx(30 / (1000 + MOST_FROM_OTHERS / (200.5 / 10_000)))


def test_a_unit_nobody_watched_is_wider_than_any_other():
    found = gamma_posterior([4, 9, 0], [200.0, 200.0, 0.0])
    relative = 1 / np.sqrt(found.shape)
    assert relative[2] == relative.max()
    assert found.rate[2] > 0


def test_nothing_at_all_says_nothing():
    assert gamma_posterior([0, 0], [0.0, 0.0]).rate.tolist() == [0.0, 0.0]
    assert beta_posterior([0, 0], [0, 0]).no_event(5).tolist() == [1.0, 1.0]


def test_the_chance_of_no_stop_by_hand():
    """(8 / 16)^2 = 1/4; of ten reloads, chance 1 in 10 known from ten: 9/10 x 10/11 = 9/11 for two."""
    assert float(GammaRates(np.array(2.0), np.array(8.0)).no_event(8.0)) == pytest.approx(0.25)
    assert float(BetaChances(np.array(1.0), np.array(9.0)).no_event(2)) == pytest.approx(9 / 11)


def test_the_first_hour_has_a_rate_of_its_own():
    stages = Stages(GammaRates(np.array(1.0), np.array(1.0)), GammaRates(np.array(1.0), np.array(7.0)))
    assert float(stages.no_event(FIRST_H)) == pytest.approx(1 / 2)
    assert float(stages.no_event(8.0)) == pytest.approx(1 / 2 * 7 / 14)


@given(st.floats(0.1, 40), st.floats(0.5, 400), st.integers(0, 60))
def test_reload_by_reload_is_the_formula(alpha, beta, reloads):
    chances = BetaChances(np.array([alpha]), np.array([beta]))
    assert chances.no_event_up_to(reloads)[0, -1] == pytest.approx(float(chances.no_event(reloads)[0]), rel=1e-6)


def test_drawn_first_events_follow_the_formulas():
    rng, draws = np.random.default_rng(1), 200_000
    stages = Stages(GammaRates(np.array([3.0]), np.array([30.0])), GammaRates(np.array([5.0]), np.array([200.0])))
    hours = stages.first_event(rng, draws)
    for limit in (0.5, 1.0, 4.0, 8.0):
        assert (hours > limit).mean() == pytest.approx(float(stages.no_event(limit)[0]), abs=0.005)
    chances = BetaChances(np.array([2.0, 0.0]), np.array([60.0, 1.0]))
    first = chances.first_event(rng, draws, 10)
    for reloads in (1, 3, 10):
        assert (first[0] > reloads).mean() == pytest.approx(float(chances.no_event(reloads)[0]), abs=0.005)
    assert np.isinf(first[1]).all()
    assert set(np.unique(first[0])) <= {*range(1, 11), np.inf}

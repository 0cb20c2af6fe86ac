"""Exact intervals, rate ratios, many looks at once and shrinkage against printed values."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from runlog.statistics.counts import clean_chances_to_decide, garwood, mtbf_limits, rate_ratio
from runlog.statistics.proportions import (
    clopper_pearson,
    dispersion,
    false_discovery_q,
    fitted_prior,
    more_often_p,
    widened,
    wilson,
)


@pytest.mark.parametrize(
    ("faults", "chances", "exact", "score"),
    [
        (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
        (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
        (0, 20, (0.0000, 0.1684), (0.0000, 0.1611)),
        (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
    ],
)
def test_limits_of_newcombe_1998_table_1(faults, chances, exact, score):
    """R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, 95 % (values from memory)."""
    assert [round(float(limit), 4) for limit in clopper_pearson(faults, chances)] == [*exact]
    assert [round(float(limit), 4) for limit in wilson(faults, chances)] == [*score]


def test_exact_limits_of_nist_7_2_4_1():
    """NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, two-sided 90 % (printed values from memory)."""
    low, high = clopper_pearson(4, 20, 0.90)
    assert float(low) == pytest.approx(0.071354, abs=2e-6)
    assert float(high) == pytest.approx(0.401029, abs=2e-6)


def test_without_a_chance_everything_is_possible():
    low, high = clopper_pearson([0, 0, 3], [0, 1, 3])
    assert (low[0], high[0], high[2]) == (0.0, 1.0, 1.0)


GARWOOD = {
    0: (0, 3.689), 1: (0.0253, 5.572), 2: (0.2422, 7.225), 3: (0.6187, 8.767), 4: (1.0899, 10.242),
    5: (1.6235, 11.668), 10: (4.7954, 18.390), 20: (12.217, 30.888), 50: (37.111, 65.919), 99: (80.462, 120.529),
}  # fmt: skip


@pytest.mark.parametrize("count", GARWOOD)
def test_limits_of_garwood_1936(count):
    """F. Garwood, Biometrika 28 (1936) 437-442; Pearson and Hartley, table 40, 95 % (values from memory)."""
    found = [float(limit) for limit in garwood(count)]
    assert found == pytest.approx(GARWOOD[count], abs=6e-4)


def test_factors_printed_with_public_mortality_tables():
    """U.S. National Center for Health Statistics, technical notes: limits over the count (values from memory)."""
    factors = {1: (0.02532, 5.57164), 2: (0.12110, 3.61234), 5: (0.32470, 2.33367), 10: (0.47954, 1.83904)}
    for count, printed in factors.items():
        assert [round(float(limit) / count, 5) for limit in garwood(count)] == [*printed]


def test_rate_ratio_of_the_manual_of_r():
    """R manual, stats::poisson.test: 11 in 800 against 6 + 8 + 7 in 1083 + 1050 + 878 (outputs from memory)."""
    found = rate_ratio(11, 800, 6 + 8 + 7, 1083 + 1050 + 878)
    assert (round(found.ratio, 6), round(found.p, 5)) == (1.971488, 0.07967)
    assert (round(found.low, 4), round(found.high, 4)) == (0.8584, 4.2773)


def test_rate_ratio_of_gu_2008():
    """K. Gu and others, Biometrical Journal 50 (2008) 283-298: 60 in 51 477.5 against 30 in 54 308.7 (from memory)."""
    found = rate_ratio(60, 51_477.5, 30, 54_308.7)
    assert round(found.ratio, 3) == 2.110
    assert found.p == pytest.approx(0.0006752, rel=2e-3)
    assert (round(found.low, 4), round(found.high, 4)) == (1.3397, 3.3884)


def test_clover_seed_of_przyborowski_and_wilenski_1940():
    """Biometrika 31 (1940) 313-323: 0 in 100 against 3 in 100; exact by hand: 1/8 one-sided, 1/4 two-sided."""
    found = rate_ratio(0, 100, 3, 100)
    assert (found.p_lower, found.p) == pytest.approx((0.125, 0.25))


def test_no_event_at_all_says_nothing():
    found = rate_ratio(0, 10, 0, 20)
    assert math.isnan(found.ratio)
    assert (found.low, found.high, found.p) == (0.0, float("inf"), 1.0)


P_VALUES = (
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0,
)  # fmt: skip


def test_four_discoveries_of_benjamini_and_hochberg_1995():
    """J. R. Statist. Soc. B 57 (1995) 289-300, section 4: 15 p-values, 4 called at 5 % (values from memory)."""
    q = false_discovery_q(P_VALUES)
    assert int((q <= 0.05).sum()) == 4
    assert [round(float(one), 6) for one in q[:5]] == [0.0015, 0.003, 0.0095, 0.035625, 0.0603]


PRINTED_FACTORS = {
    1: (0.2108, 19.4957), 2: (0.3177, 5.6281), 3: (0.3869, 3.6689), 4: (0.4370, 2.9276), 5: (0.4756, 2.5379),
    10: (0.5895, 1.8432),
}  # fmt: skip


@pytest.mark.parametrize("failures", PRINTED_FACTORS)
def test_mtbf_factors_of_nist_8_4_5_1(failures):
    """NIST/SEMATECH e-Handbook 8.4.5.1: 90 % limits over the estimate (table from memory)."""
    low, high = mtbf_limits(failures, failures)
    assert (round(low, 4), round(high, 4)) == PRINTED_FACTORS[failures]


def test_mtbf_example_of_nist_8_4_5_1():
    """The same section: 2 failures in 800 h give 127 to 2251 h at 90 %; without a failure T / 2.99573 at 95 %."""
    assert mtbf_limits(800, 2) == pytest.approx((127.0690, 2251.229), abs=6e-4)
    low, high = mtbf_limits(1000, 0, 0.95)
    assert (low, high) == (pytest.approx(1000 / 2.99573, rel=1e-5), float("inf"))


@pytest.mark.parametrize(("failures", "factor"), [(1, 0.434), (3, 0.564), (7, 0.665)])
def test_watching_that_ends_with_a_failure(failures, factor):
    """MIL-HDBK-781A, lower 80 % factors of failure-terminated tests (from memory)."""
    assert round(mtbf_limits(failures, failures, 0.80, ends_with_failure=True)[0], 3) == factor


# --- comparisons and shrinkage, against slower ways ------------------------------------------------------


@settings(deadline=None)
@given(st.integers(0, 30), st.integers(1, 60), st.integers(0, 30), st.integers(1, 60))
def test_more_often_is_fishers_exact_test(faults, chances, other, other_chances):
    faults, other = min(faults, chances), min(other, other_chances)
    table = [[faults, chances - faults], [other, other_chances - other]]
    assert more_often_p(faults, chances, other, other_chances) == pytest.approx(
        stats.fisher_exact(table, alternative="greater")[1], rel=1e-9, abs=1e-12
    )


def test_clean_chances_that_decide_are_the_least():
    more = clean_chances_to_decide(6, 400, 0, 0)
    # Six faults in 400 reloads and none in N: (400 / (400 + N))^6 = 0.05.
    assert more == pytest.approx(400 * (0.05 ** (-1 / 6) - 1), rel=1e-6)
    assert rate_ratio(0, more * 1.001, 6, 400).p_lower < 0.05 < rate_ratio(0, more * 0.999, 6, 400).p_lower
    assert clean_chances_to_decide(6, 400, 0, 2 * more) == 0.0
    assert clean_chances_to_decide(0, 400, 0, 10) == float("inf")


def test_groups_alike_are_drawn_together_and_different_ones_are_not():
    rng = np.random.default_rng(1)
    chances = rng.integers(50, 400, 40)
    alike = rng.binomial(chances, 0.02)
    different = rng.binomial(chances, rng.beta(1, 20, 40))
    common = alike.sum() / chances.sum()
    shrunken = fitted_prior(alike, chances).shrunken(alike, chances)
    assert np.abs(shrunken - common).max() < 0.25 * np.abs(alike / chances - common).max()
    prior = fitted_prior(different, chances)
    assert prior.mean == pytest.approx(1 / 21, rel=0.35)
    kept = prior.shrunken(different, chances)
    raw = different / chances
    assert ((kept >= np.minimum(raw, prior.mean) - 1e-12) & (kept <= np.maximum(raw, prior.mean) + 1e-12)).all()


def test_dispersion_by_hand_and_the_limits_it_widens():
    # Shares 0.5: (1-1)^2/0.5 + (2-1)^2/0.5 + (0-1)^2/0.5 = 4 over 2 degrees of freedom.
    assert dispersion([1, 2, 0], [2, 2, 2]) == 2.0
    assert dispersion([1, 1], [2, 2]) == 1.0
    assert dispersion([0, 0], [5, 5]) == 1.0
    wide, exact = widened(8, 100, 2.0), clopper_pearson(8, 100)
    assert wide[0] < exact[0] < exact[1] < wide[1]
    assert wide == clopper_pearson(4, 50)

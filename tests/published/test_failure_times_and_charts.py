"""Trend tests, power law and control charts against printed values."""

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.statistics.charts import c_chart, cusum, ewma, p_chart
from runlog.statistics.failure_times import (
    cramer_von_mises,
    laplace,
    military_handbook,
    power_law,
    power_law_of_counts,
    reverse_arrangements,
)

REPAIRS = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
"""NIST/SEMATECH e-Handbook 8.2.3.4 and 8.4.5.2: repair times of a system watched for 1500 h."""
HDBK = [
    2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1, 132.0, 142.2,
    147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1,
]  # fmt: skip
"""MIL-HDBK-189 (1981), appendix C: failure times up to 300 h; the tie is in the source."""


def test_military_handbook_statistic_of_nist():
    """Printed 37.23 with 20 degrees of freedom (from memory): fewer and fewer at 98.9 %."""
    found = military_handbook(REPAIRS, 1500)
    assert round(found.statistic, 2) == 37.23
    assert found.p_fewer == pytest.approx(1 - 0.989014, abs=1e-6)


def test_reversals_of_nist():
    """Printed 33 reversals of 45, critical value for 95 % is 33 (from memory); the tie of 35 and 35 is none."""
    found = reverse_arrangements(REPAIRS)
    assert found.statistic == 33
    assert found.p_fewer == pytest.approx(0.036275, abs=1e-6)


def test_chance_of_reversals_is_that_of_all_permutations():
    gaps = [3.0, 1.0, 4.0, 1.5, 9.0]
    counts = [sum(b > a for i, a in enumerate(p) for b in p[i + 1 :]) for p in permutations(gaps)]
    found = reverse_arrangements(np.cumsum(gaps))
    share = sum(count >= found.statistic for count in counts) / len(counts)
    assert found.p_fewer == pytest.approx(share)


def test_laplace_by_hand():
    """Times 1, 2, 3 of 8: sqrt(36) x (6 - 12) / (3 x 8) = -1.5."""
    found = laplace([1, 2, 3], 8)
    assert found.statistic == pytest.approx(-1.5)
    assert found.p_fewer == pytest.approx(0.0668072, abs=1e-7)  # normal tables
    assert laplace(REPAIRS, 1500).statistic == pytest.approx(-1.326949, abs=1e-6)


def test_laplace_of_times_seen_in_a_mirror_changes_its_sign():
    early, late = laplace([1, 2, 3], 10), laplace([9, 8, 7], 10)
    assert early.statistic == pytest.approx(-late.statistic)
    assert early.p_fewer == pytest.approx(late.p_more)


def test_power_law_of_nist_8_4_5_2():
    """The section's R script prints slope 0.516494, b 0.483506, a 0.2913003, MTBF 310.234, 157.7138 to 548.5566."""
    law = power_law(REPAIRS, 1500)
    assert (round(law.shape, 6), round(law.scale, 7), round(law.mtbf, 3)) == (0.483506, 0.2913003, 310.234)
    assert law.mtbf_limits(0.80) == pytest.approx((157.7138, 548.5566), abs=6e-5)
    assert float(law.expected(1500)) == pytest.approx(10)


def test_power_law_of_the_military_handbook():
    """MIL-HDBK-189 (1981), appendix C: shape 0.716, scale 0.454, unbiased 0.690 and so on (from memory)."""
    law = power_law(HDBK, 300, modified=False)
    assert (round(law.shape, 3), round(law.scale, 3)) == (0.716, 0.454)
    assert (round(law.intensity, 4), round(law.mtbf, 1)) == (0.0645, 15.5)
    assert round(power_law(HDBK, 300).shape, 3) == 0.690
    assert round(cramer_von_mises(HDBK, 300), 3) == 0.091


def test_power_law_of_grouped_counts():
    """The same handbook, grouped: 13 16 5 8 7 up to 100 give 0.753, 1.53 and an MTBF of 2.7 (from memory)."""
    law = power_law_of_counts([20, 40, 60, 80, 100], [13, 16, 5, 8, 7])
    assert (round(law.shape, 3), round(law.scale, 2), round(law.mtbf, 1)) == (0.753, 1.53, 2.7)
    expected = np.diff(law.expected([0, 20, 40, 60, 80, 100]))
    assert expected == pytest.approx([14.5873, 9.9941, 8.7748, 8.0664, 7.5774], abs=1e-4)


@settings(deadline=None)
@given(st.lists(st.floats(0.5, 900), min_size=4, max_size=30), st.floats(1, 1000))
def test_the_unit_of_time_changes_no_verdict(times, factor):
    here, there = power_law(times, 1000), power_law([t * factor for t in times], 1000 * factor)
    assert here.shape == pytest.approx(there.shape, rel=1e-6)
    assert here.shape_low < here.shape * len(times) / (len(times) - 1) < here.shape_high
    assert laplace(times, 1000).p == pytest.approx(laplace([t * factor for t in times], 1000 * factor).p, abs=1e-9)


WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]


def test_c_chart_of_nist_6_3_3_1():
    """25 wafers: center 16, limits 4 and 28; only the 24th is out, the 3rd lies on the limit."""
    chart = c_chart(WAFERS)
    assert (chart.center, chart.low[0], chart.high[0]) == (16, 4, 28)
    assert np.flatnonzero(chart.is_out).tolist() == [23]


def test_p_chart_of_nist_6_3_3_2():
    """30 samples of 50: 0.2313, 0.4102, 0.0524; samples 15 and 23 are out."""
    found = [
        12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6,
    ]  # fmt: skip
    chart = p_chart(found, [50] * 30)
    assert (chart.center, chart.high[0], chart.low[0]) == pytest.approx((0.2313, 0.4102, 0.0524), abs=1e-4)
    assert np.flatnonzero(chart.is_out).tolist() == [14, 22]


def test_ewma_of_nist_6_3_2_4():
    """20 values, weight 0.3: averages as printed, limits 52.5884 and 47.4115, none out."""
    values = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
        53.6, 52.1,
    ]  # fmt: skip
    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
        50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    chart = ewma(values, 50, 2.0539)
    assert chart.value == pytest.approx(printed, abs=5.1e-3)
    assert (chart.high[0], chart.low[0]) == pytest.approx((52.5884, 47.4115), abs=2e-4)
    assert not chart.is_out.any()


def test_cusum_of_nist_6_3_2_3():
    """20 values, target 325, slack 0.3175, limit 4.1959: sums as printed, first signal at the 14th."""
    values = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
        328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    high = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    low = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, *([0] * 9)]
    found = cusum(values, 325, 0.3175, 4.1959)
    assert found.high == pytest.approx(high, abs=6e-3)
    assert found.low == pytest.approx(low, abs=6e-3)
    assert found.first_signal == 13
    assert found.begins(13) == 12


@settings(deadline=None)
@given(st.lists(st.floats(-50, 50), min_size=1, max_size=40), st.floats(0, 5))
def test_cusum_equals_its_definition_step_by_step(values, slack):
    high = low = 0.0
    found = cusum(values, 1.0, slack, 10.0)
    for place, value in enumerate(values):
        high = max(0.0, high + value - 1.0 - slack)
        low = max(0.0, low + 1.0 - slack - value)
        assert math.isclose(found.high[place], high, abs_tol=1e-9)
        assert math.isclose(found.low[place], low, abs_tol=1e-9)

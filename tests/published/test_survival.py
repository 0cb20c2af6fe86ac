"""Survival curves, competing causes and mean cumulative functions against printed values."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.statistics.survival import aalen_johansen, kaplan_meier, log_rank, mean_cumulative_function

SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"
"""Remission in weeks, + still going: E. J. Freireich and others, Blood 21 (1963) 699-716."""


def read(text: str) -> tuple[list[float], list[bool]]:
    words = text.split()
    return [float(word.rstrip("+")) for word in words], [not word.endswith("+") for word in words]


def test_six_mp_of_klein_and_moeschberger():
    """J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd ed., tables 4.1 and 4.2 (values from memory)."""
    curve = kaplan_meier(*read(SIX_MP))
    assert curve.time.tolist() == [6, 7, 10, 13, 16, 22, 23]
    assert curve.at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]
    assert curve.surviving == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=1e-3)
    assert curve.error == pytest.approx([0.076, 0.087, 0.096, 0.107, 0.114, 0.128, 0.135], abs=5.1e-4)
    assert curve.quantile(0.5) == 23
    assert kaplan_meier(*read(PLACEBO)).quantile(0.5) == 8


def test_maintenance_of_the_manual_of_r():
    """R survival::aml (R. G. Miller, Survival Analysis, 1981), maintained arm (printed output from memory)."""
    curve = kaplan_meier(*read("9 13 13+ 18 23 28+ 31 34 45+ 48 161+"))
    assert curve.surviving == pytest.approx([0.909, 0.818, 0.716, 0.614, 0.491, 0.368, 0.184], abs=5.1e-4)
    assert curve.error == pytest.approx([0.0867, 0.1163, 0.1397, 0.1526, 0.1642, 0.1627, 0.1535], abs=5.1e-5)


def test_log_rank_of_the_two_arms():
    """D. G. Kleinbaum and M. Klein, Survival Analysis: chi-square 16.793 (from memory); R's aml: 3.4, p 0.07."""
    lengths, ended = zip(read(SIX_MP), read(PLACEBO), strict=True)
    score, p = log_rank(lengths, ended)
    assert round(score, 3) == 16.793
    assert p == pytest.approx(4.17e-5, rel=1e-3)
    maintained, not_maintained = read("9 13 13+ 18 23 28+ 31 34 45+ 48 161+"), read("5 5 8 8 12 16+ 23 27 30 33 43 45")
    score, p = log_rank(*zip(maintained, not_maintained, strict=True))
    assert (round(score, 1), round(p, 2)) == (3.4, 0.07)


def test_three_groups_of_one_kind_do_not_differ():
    score, p = log_rank([[1, 2, 3, 4]] * 3, [[True] * 4] * 3)
    assert (score, p) == (pytest.approx(0, abs=1e-12), 1.0)


def test_competing_causes_by_hand():
    """Ten runs, two causes, in exact fractions: F1(9) = 17/36, F2(9) = 67/180, S(9) = 7/45."""
    length = [1, 2, 2, 3, 4, 5, 6, 7, 8, 9]
    cause = [1, 2, 1, None, 1, 2, None, 1, 2, None]
    found = aalen_johansen(length, cause)
    exact = [Fraction(1, 10), Fraction(1, 5), Fraction(19, 60), Fraction(19, 60), Fraction(17, 36), Fraction(17, 36)]
    assert found.time.tolist() == [1, 2, 4, 5, 7, 8]
    assert found.by_cause[1] == pytest.approx([float(share) for share in exact])
    assert found.by_cause[2][-1] == pytest.approx(67 / 180)
    assert found.surviving[-1] == pytest.approx(7 / 45)
    alone = kaplan_meier(length, [one == 1 for one in cause])
    assert 1 - alone.surviving[-1] > found.by_cause[1][-1]


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 12), st.sampled_from([None, "jam", "tool", "alarm"])), min_size=1, max_size=40)
)
def test_causes_and_survivors_are_all_there_is(runs):
    found = aalen_johansen([length for length, _ in runs], [cause for _, cause in runs])
    whole = found.surviving + sum(found.by_cause.values(), np.zeros(found.time.shape))
    assert whole == pytest.approx(np.ones(found.time.shape))
    curve = kaplan_meier([length for length, _ in runs], [cause is not None for _, cause in runs])
    assert curve.surviving == pytest.approx(found.surviving)
    inner = (curve.surviving > 0) & (curve.surviving < 1)
    assert (curve.low[inner] < curve.surviving[inner]).all()
    assert (curve.surviving[inner] < curve.high[inner]).all()


def test_mean_cumulative_function_by_hand():
    """Three machines watched for 10, 6 and 4 h; one whose watching ends with a fault is counted there.

    At 2 h three are watched, one fault: 1/3; at 4 h three, two faults: 1/3 + 2/3; at 5 h two: + 1/2; at 9 h one: + 1.
    """
    found = mean_cumulative_function([[2, 5, 9], [4], [4]], [10, 6, 4])
    assert found.time.tolist() == [2, 4, 5, 9]
    assert found.at_risk.tolist() == [3, 3, 2, 1]
    assert found.mean == pytest.approx([1 / 3, 1, 1.5, 2.5])

"""Trend and step tests against figures that others published.

Gilbert, Statistical Methods for Environmental Pollution Monitoring, 1987, section 16.4.1 (from memory). NIST/SEMATECH
e-Handbook 8.2.3.4, reverse arrangement test (data from a public copy; the count of 33 from memory). Nile flow at Aswan
1871-1970, with a change after 1898: Cobb, Biometrika 65 (1978) 243-251 (data and year from memory). Benjamini and
Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300, section 4 (from memory).
"""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.figures.trend_tests import mann_kendall, pettitt, verdicts, widening
from runlog.statistics.proportions import false_discovery_q

NILE = np.array([
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759, 781, 865,
    845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890, 744, 749, 838, 1050,
    918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
], float)  # fmt: skip


def test_gilbert_16_4_1():
    """10, 15, 14, 20: S = 1 + 1 + 1 - 1 + 1 + 1 = 4."""
    assert mann_kendall(np.array([10.0, 15, 14, 20]))[0] == 4


def test_nist_reverse_arrangements():
    """Times between 10 repairs: 33 of 45 pairs rise, one is tied, so S = 33 - 11 = 22; exact one-sided P 0.036275."""
    between = np.array([5.0, 35, 3, 132, 214, 323, 35, 48, 504, 179])
    s, p = mann_kendall(between)
    assert s == 33 - (45 - 33 - 1)
    # There the tied pair counts as no rise, here as half of one; and the normal law is near the exact one only.
    assert p / 2 == pytest.approx(0.0363, abs=0.01)


def test_the_normal_law_is_near_the_exact_one():
    """All 5 040 orders of 7 values: the share with |S| of 15 or more, against p."""
    signs = [mann_kendall(np.array(order, float)) for order in permutations(range(7))]
    exact = np.mean([abs(s) >= 15 for s, _ in signs])
    p = next(p for s, p in signs if abs(s) == 15)
    assert p == pytest.approx(exact, abs=0.01)


def test_the_nile_changed_after_1898():
    """28 values before the change; the verdict is a step, not a trend."""
    k, before, p = pettitt(NILE)
    assert 1871 + before - 1 == 1898
    assert p == pytest.approx(2 * np.exp(-6 * k**2 / (100**3 + 100**2)))
    told = verdicts([NILE.tolist()])[0]
    assert (told.shape, told.step_at) == ("stepped", 28)


def test_benjamini_hochberg_section_4():
    """15 p values; Bonferroni rejects 3 at 5 %, the false discovery rate 4."""
    p = [
        .0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1.0,
    ]  # fmt: skip
    adjusted = false_discovery_q(p).tolist()
    assert sum(one <= 0.05 for one in adjusted) == 4
    assert adjusted[:4] == pytest.approx([0.0015, 0.0030, 0.0095, 0.035625])


# --- what must hold for any series ---------------------------------------------------------------

series = st.lists(st.integers(0, 20).map(float), min_size=10, max_size=40)


@settings(deadline=None)
@given(series)
def test_reversed_in_time_it_falls_as_much_as_it_rose(values):
    forward, backward = mann_kendall(np.array(values)), mann_kendall(np.array(values[::-1]))
    assert (forward[0], forward[1]) == (-backward[0], pytest.approx(backward[1]))
    assert pettitt(np.array(values))[0] == pettitt(np.array(values[::-1]))[0]


@settings(deadline=None)
@given(series)
def test_only_the_order_of_values_counts(values):
    """Another unit, or any rising function, changes no verdict."""
    plain, bent = verdicts([values]), verdicts([[value**3 + 5 for value in values]])
    assert (plain[0].shape, plain[0].step_at, plain[0].p) == (bent[0].shape, bent[0].step_at, bent[0].p)


def test_a_series_that_hangs_together_widens_the_tests():
    rng = np.random.default_rng(3)
    loose, tight = rng.normal(size=200), np.cumsum(rng.normal(size=200)) * 0.2
    assert widening(loose) < 1.4
    assert widening(tight - tight.mean()) > 5


def test_few_values_are_no_evidence():
    assert verdicts([[1.0, 2, 3, 4, 5, 6, 7, 8, 9]])[0].shape == "too few to tell"
    assert verdicts([[float(value) for value in range(30)]])[0].shape == "rising"
    assert verdicts([[7.0] * 30])[0].shape == "steady"


def test_many_series_looked_at_take_more_to_be_called():
    """One series that alone is called, among 60 that do not move, is not."""
    rng = np.random.default_rng(5)
    one = next(
        values
        for values in (rng.normal(size=30) + np.linspace(0, 1.6, 30) for _ in range(200))
        if 0.005 < verdicts([values.tolist()])[0].p < 0.04
    ).tolist()
    assert verdicts([one])[0].shape != "steady"
    others = [rng.normal(size=30).tolist() for _ in range(60)]
    assert verdicts([*others, one])[-1].shape == "steady"

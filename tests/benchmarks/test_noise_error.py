"""Invariant 7: under noise the error of each fact stays under its stated bound (docs/accuracy.md)."""

import pytest
from benchmarks.noise_error import MEASURES, errors

BOUNDS_PER_CENT = {
    "producing [h]": 0.5,
    "reloading [h]": 2,
    "setting [h]": 2,
    "stopped [h]": 1,
    "no signal [h]": 2,
    "parts": 0.2,
    "reloads": 1,
    "bars": 1,
    "remnant [m]": 1,
}
"""Facts of which there are many, at noise 1: how far off they may be."""

BOUNDS_COUNT = {
    "reload faults": 2,
    "empty and unclear reloads": 3,
    "stops": 2,
    "unattended runs": 1,
    "runs ended by a stop": 1,
    "changeovers": 1,
    "minor stops": 40,
    "stops unexplained": 40,
}
"""Facts of which there are few; a lost cycle start looks like a short stop without a reason, so those may grow."""


@pytest.mark.slow
def test_errors_under_noise_stay_within_their_bounds():
    true, off, rejects = errors(1.0, seeds=(1,))
    assert set(BOUNDS_PER_CENT) | set(BOUNDS_COUNT) == set(MEASURES)
    for name, bound in BOUNDS_PER_CENT.items():
        assert abs(off[name]) <= bound / 100 * true[name], name
    for name, bound in BOUNDS_COUNT.items():
        assert abs(off[name]) <= bound, name
    assert rejects > 0  # the noise did garble rows

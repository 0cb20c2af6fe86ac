"""Faults per hour: exact limits, the ratio of two rates, mean time between failures."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from runlog.statistics.proportions import Floats, clopper_pearson, log_choose

_SAME: Final = 1 + 1e-7
"""Chances that differ by rounding only are equally small, as in R."""


def garwood(count: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Exact limits of the mean that gave a count.

    Parameters
    ----------
    count : array_like of float
        Events seen.
    level : float
        Confidence, two-sided.

    Returns
    -------
    tuple of ndarray

    Notes
    -----
    F. Garwood, Biometrika 28 (1936) 437-442.

    Examples
    --------
    >>> [round(float(limit), 3) for limit in garwood(4)]
    [1.09, 10.242]
    """
    x = np.asarray(count, float)
    tail = (1 - level) / 2
    low = np.where(x > 0, special.gammaincinv(np.maximum(x, 1e-300), tail), 0.0)
    return low, special.gammaincinv(x + 1, 1 - tail)


@dataclass(frozen=True)
class RateRatio:
    """One rate over another.

    Attributes
    ----------
    ratio, low, high : float
        The ratio and its limits; infinite without an event in the second.
    p : float
        Chance of two counts as unlikely as these or more, were the rates equal.
    p_lower, p_higher : float
        The same, for a first rate that is lower (higher) only.
    """

    ratio: float
    low: float
    high: float
    p: float
    p_lower: float
    p_higher: float


def rate_ratio(count: int, exposure: float, other: int, other_exposure: float, level: float = 0.95) -> RateRatio:
    """Compare two rates exactly, given how many events there were in all.

    Parameters
    ----------
    count, other : int
        Events of the one and the other.
    exposure, other_exposure : float
        Hours, or chances, they were seen in; above 0.
    level : float
        Confidence of the limits, two-sided.

    Notes
    -----
    J. Przyborowski and H. Wilenski, Biometrika 31 (1940) 313-323: given the sum, the one count is binomial.
    The two-sided p sums all counts no likelier than the one seen, as R's `poisson.test` does.
    """
    both = count + other
    share = exposure / (exposure + other_exposure)
    low, high = (float(limit) for limit in clopper_pearson(count, both, level)) if both else (0.0, 1.0)
    k = np.arange(both + 1)
    chance = np.exp(log_choose(np.full(k.shape, both), k) + special.xlogy(k, share) + special.xlog1py(both - k, -share))
    return RateRatio(
        ratio=_over(count * other_exposure, other * exposure),
        low=_odds(low) * other_exposure / exposure,
        high=_odds(high) * other_exposure / exposure,
        p=min(1.0, float(chance[chance <= chance[count] * _SAME].sum())),
        p_lower=_at_most(count, both, share),
        p_higher=float(special.betainc(count, other + 1, share)) if count else 1.0,
    )


def clean_chances_to_decide(count: int, exposure: float, after: int, after_exposure: float, p: float = 0.05) -> float:
    """How much more exposure without an event would show that the rate has fallen. [same unit as the exposures]

    0 if that is shown already, infinite if it can never be (too few events before).

    Notes
    -----
    The one-sided test of `rate_ratio`: with `after` events of `after + count`, the chance of so few falls with every
    further clean hour; solved by bisection.
    """

    def chance(more: float) -> float:
        total = exposure + after_exposure + more
        return _at_most(after, after + count, (after_exposure + more) / total)

    if after_exposure > 0 and chance(0.0) <= p:
        return 0.0
    low, high = 0.0, exposure
    while chance(high) > p:
        low, high = high, high * 2
        if high > 1e9 * exposure:
            return float("inf")
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        low, high = (middle, high) if chance(middle) > p else (low, middle)
    return high


def mtbf_limits(
    hours: float, failures: int, level: float = 0.90, *, ends_with_failure: bool = False
) -> tuple[float, float]:
    """Limits of the mean time between failures at a constant rate. [same unit as `hours`]

    Parameters
    ----------
    hours : float
        Time watched in all.
    failures : int
        Failures in it. Without any, the lower limit is one-sided at `level`, the upper infinite.
    ends_with_failure : bool
        Whether the watching ended with the last failure, and not at a set time.

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.5.1.
    """
    if not failures:
        return hours / -float(np.log(1 - level)), float("inf")
    tail = (1 - level) / 2
    freedom = 2 * failures + (0 if ends_with_failure else 2)
    return (
        hours / float(special.gammaincinv(freedom / 2, 1 - tail)),
        hours / float(special.gammaincinv(failures, tail)),
    )


def _at_most(count: int, of: int, share: float) -> float:
    """Chance of at most so many of some, each with this share (binomial)."""
    return 1.0 if count >= of else float(special.betainc(of - count, count + 1, 1 - share))


def _odds(share: float) -> float:
    return _over(share, 1 - share)


def _over(part: float, whole: float) -> float:
    return part / whole if whole else (float("inf") if part else float("nan"))

"""Faults per hour: exact limits, the ratio of two rates, mean time between failures."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from runlog.statistics.climb import climb
from runlog.statistics.proportions import Floats, clopper_pearson, log_choose

_FLATTEST: Final = 1e5
"""Events a prior may be worth: groups that differ by less than chance have one rate."""
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


def widened_per_hour(count: ArrayLike, hours: ArrayLike, by: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Limits of `garwood` per hour for counts that vary `by` times more than chance: as of so many times fewer."""
    x, n, times = np.asarray(count, float), np.asarray(hours, float), np.asarray(by, float)
    low, high = garwood(x / times, level)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(n > 0, low * times / n, 0.0), np.where(n > 0, high * times / n, np.inf)


def more_per_hour_p(count: ArrayLike, exposure: ArrayLike, other: ArrayLike, other_exposure: ArrayLike) -> Floats:
    """`p_higher` of `rate_ratio` for many at once: chance of so many events, were the rate that of the others."""
    x, n, y, m = (np.asarray(one, float) for one in (count, exposure, other, other_exposure))
    with np.errstate(divide="ignore", invalid="ignore"):
        tail = special.betainc(np.maximum(x, 1e-300), y + 1, n / (n + m))
    return np.where(x > 0, tail, 1.0)


@dataclass(frozen=True)
class GammaPrior:
    """What rates of a shop are like before one group is looked at: a gamma distribution.

    Attributes
    ----------
    shape, rate : float
        Events and hours it is worth.
    """

    shape: float
    rate: float

    def shrunken(self, count: ArrayLike, hours: ArrayLike) -> Floats:
        """Rates drawn towards the common one, those with few hours most."""
        return (np.asarray(count, float) + self.shape) / (np.asarray(hours, float) + self.rate)


def fitted_gamma(count: ArrayLike, hours: ArrayLike) -> GammaPrior:
    """The prior that makes these groups most likely (gamma-Poisson, marginal maximum likelihood).

    Where groups differ by no more than chance, the prior is so narrow that all have the common rate.

    Notes
    -----
    D. P. Gaver and I. G. O'Muircheartaigh, Technometrics 29 (1987) 1-15; as `fitted_prior`.
    """
    pairs, times = np.unique(np.column_stack([count, hours]).astype(float), axis=0, return_counts=True)
    x, n = pairs[:, 0], pairs[:, 1]
    common = (float(times @ x) + 0.5) / (float(times @ n) + 1.0)

    def likeliness(log: Floats) -> tuple[float, Floats]:
        shape = np.exp(log[0])
        rate = shape / np.exp(log[1])
        terms = special.gammaln(x + shape) - special.gammaln(shape) + special.xlogy(x, n)
        value = times @ (terms + shape * np.log(rate) - (x + shape) * np.log(n + rate))
        by_shape = times @ (special.digamma(x + shape) - special.digamma(shape) + np.log(rate) - np.log(n + rate))
        by_rate = times @ (shape / rate - (x + shape) / (n + rate))
        return float(value), np.array([shape * by_shape + rate * by_rate, -rate * by_rate])

    low = np.array([np.log(0.01), np.log(common) - 10])
    high = np.array([np.log(_FLATTEST), np.log(common) + 10])
    starts = [np.array([np.log(shape), np.log(common)]) for shape in (0.5, 20.0)]
    found, _ = max((climb(likeliness, start, low, high) for start in starts), key=lambda one: one[1])
    shape = float(np.exp(found[0]))
    return GammaPrior(shape, shape / float(np.exp(found[1])))


def fewer_in_strata_p(count: ArrayLike, exposure: ArrayLike, other: ArrayLike, other_exposure: ArrayLike) -> float:
    """Chance of so few events or fewer in all strata together, were the rate in each that of the other time.

    Parameters
    ----------
    count, exposure, other, other_exposure : array_like
        One value a stratum: events and exposure now, and at the other time; one seen at one time only says nothing.

    Notes
    -----
    Given how many events a stratum had in all, its count now is binomial (`rate_ratio`); the sum of these counts has
    the convolution of their laws. N. E. Breslow and N. E. Day, Statistical Methods in Cancer Research II (1987),
    section 3.

    Examples
    --------
    Two jobs, half of the time before: 1 of 2 and 0 of 1; 1 or none in all: (1 + 2 + 1) / 8.

    >>> fewer_in_strata_p([1, 0], [10, 10], [1, 1], [10, 10])
    0.5
    """
    law, seen = np.ones(1), 0
    rows = zip(*(np.atleast_1d(one) for one in (count, exposure, other, other_exposure)), strict=True)
    for x, n, y, m in rows:
        if n <= 0 or m <= 0:
            continue
        both, share = int(x + y), n / (n + m)
        k = np.arange(both + 1)
        ways = log_choose(np.full(k.shape, both), k)
        law = np.convolve(law, np.exp(ways + special.xlogy(k, share) + special.xlog1py(both - k, -share)))
        seen += int(x)
    return float(min(1.0, law[: seen + 1].sum()))


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

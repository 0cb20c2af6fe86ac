"""Faults per chance: exact intervals, comparison with the rest, many comparisons at once, shrinkage."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from runlog.statistics.climb import climb

Floats = NDArray[np.float64]

_FLATTEST: Final = 1e6
"""Chances a prior may weigh: groups that differ by less than chance have one rate."""


def clopper_pearson(faults: ArrayLike, chances: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Exact limits of a proportion.

    Parameters
    ----------
    faults, chances : array_like of int
        How many of how many; they need not be whole where counts were thinned for dispersion.
    level : float
        Confidence, two-sided.

    Returns
    -------
    tuple of ndarray
        Lower and upper limit; 0 to 1 without any chance.

    Notes
    -----
    C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413, as beta quantiles.

    Examples
    --------
    >>> low, high = clopper_pearson(81, 263)
    >>> f"{float(low):.4f} {float(high):.4f}"
    '0.2527 0.3676'
    """
    x, n = np.asarray(faults, float), np.asarray(chances, float)
    tail = (1 - level) / 2
    low = np.where(x > 0, special.betaincinv(np.maximum(x, 1e-300), n - x + 1, tail), 0.0)
    high = np.where(x < n, special.betaincinv(x + 1, np.maximum(n - x, 1e-300), 1 - tail), 1.0)
    return low, high


def wilson(faults: ArrayLike, chances: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Score limits of a proportion, for drawing; E. B. Wilson, J. Amer. Statist. Assoc. 22 (1927) 209-212.

    Parameters and returns as in `clopper_pearson`, but whole 0 to 1 only in the limit.
    """
    x, n = np.asarray(faults, float), np.asarray(chances, float)
    z = float(special.ndtri((1 + level) / 2))
    share = x / n
    middle = share + z * z / (2 * n)
    half = z * np.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    scale = 1 + z * z / n
    return np.clip((middle - half) / scale, 0, 1), np.clip((middle + half) / scale, 0, 1)


def more_often_p(faults: ArrayLike, chances: ArrayLike, other_faults: ArrayLike, other_chances: ArrayLike) -> Floats:
    """Chance of so many faults or more, were this group like the others (Fisher, one-sided).

    Parameters
    ----------
    faults, chances, other_faults, other_chances : array_like of int
        How many of how many, in the group and in the others; of one shape.

    Notes
    -----
    R. A. Fisher, The Design of Experiments (1935): hypergeometric tail with both margins fixed.

    Examples
    --------
    The tea of the same book: all four cups with milk first named.

    >>> round(float(more_often_p(4, 4, 0, 4)), 4)
    0.0143
    """
    given = np.broadcast_arrays(faults, chances, other_faults, other_chances)
    x, n, y, m = (np.atleast_1d(one).ravel().astype(np.int64) for one in given)
    bad = x + y
    # All the tails end to end: the terms from what was seen up to the most there can be, group by group.
    terms = np.minimum(bad, n) - x + 1
    group = np.repeat(np.arange(x.size), terms)
    k = np.arange(terms.sum()) - np.repeat(np.cumsum(terms) - terms, terms) + x[group]
    term = np.exp(
        log_choose(n[group], k) + log_choose(m[group], bad[group] - k) - log_choose((n + m)[group], bad[group])
    )
    tail = np.bincount(group, term, minlength=x.size)
    return np.where(x > 0, np.minimum(tail, 1.0), 1.0).reshape(given[0].shape)


def log_choose(of: Floats | NDArray[np.int64], some: Floats | NDArray[np.int64]) -> Floats:
    """Logarithm of the number of ways to choose some of many; minus infinity where there is none."""
    possible = (some >= 0) & (some <= of)
    some = np.where(possible, some, 0)
    ways = special.gammaln(of + 1) - special.gammaln(some + 1) - special.gammaln(of - some + 1)
    return np.where(possible, ways, -np.inf)


def false_discovery_q(p: ArrayLike) -> Floats:
    """Smallest false discovery rate at which each of these would be called.

    Parameters
    ----------
    p : array_like of float
        One p-value a comparison.

    Returns
    -------
    ndarray
        Adjusted values in the same order.

    Notes
    -----
    Y. Benjamini and Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300: step-up, comparisons independent or
    positively dependent.
    """
    given = np.asarray(p, float)
    order = np.argsort(given)[::-1]
    stepped = np.minimum.accumulate(given[order] * given.size / np.arange(given.size, 0, -1))
    adjusted = np.empty_like(given)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted


@dataclass(frozen=True)
class Prior:
    """What groups of a shop are like before one is looked at: a beta distribution.

    Attributes
    ----------
    alpha, beta : float
        Its shapes: faults and clean chances it is worth.
    """

    alpha: float
    beta: float

    @property
    def mean(self) -> float:
        """The rate of a group nothing is known of."""
        return self.alpha / (self.alpha + self.beta)

    def shrunken(self, faults: ArrayLike, chances: ArrayLike) -> Floats:
        """Rates drawn towards the common one, those with few chances most."""
        x, n = np.asarray(faults, float), np.asarray(chances, float)
        return (x + self.alpha) / (n + self.alpha + self.beta)


def fitted_prior(faults: ArrayLike, chances: ArrayLike) -> Prior:
    """The prior that makes these groups most likely (beta-binomial, marginal maximum likelihood).

    Where groups differ by no more than chance, the prior is so narrow that all have the common rate.

    Notes
    -----
    J. O. Berger, Statistical Decision Theory and Bayesian Analysis, 2nd ed. 1985, section 4.5 (empirical Bayes).
    """
    pairs, times = np.unique(np.column_stack([faults, chances]).astype(float), axis=0, return_counts=True)
    x, n = pairs[:, 0], pairs[:, 1]
    common = (float(times @ x) + 0.5) / (float(times @ n) + 1.0)

    def likeliness(shape: Floats) -> tuple[float, Floats]:
        mean, weight = special.expit(shape[0]), np.exp(shape[1])
        a, b = mean * weight, (1 - mean) * weight
        of_both = special.digamma(weight) - special.digamma(n + weight)
        by_a = times @ (special.digamma(x + a) - special.digamma(a) + of_both)
        by_b = times @ (special.digamma(n - x + b) - special.digamma(b) + of_both)
        slope = np.array([mean * (1 - mean) * weight * (by_a - by_b), a * by_a + b * by_b])
        return float(times @ (special.betaln(x + a, n - x + b) - special.betaln(a, b))), slope

    low, high = np.array([-15.0, np.log(0.1)]), np.array([15.0, np.log(_FLATTEST)])
    starts = [np.array([special.logit(common), np.log(weight)]) for weight in (10.0, 300.0)]
    found, _ = max((climb(likeliness, start, low, high) for start in starts), key=lambda one: one[1])
    mean, weight = float(special.expit(found[0])), float(np.exp(found[1]))
    return Prior(mean * weight, (1 - mean) * weight)


def dispersion(faults: ArrayLike, chances: ArrayLike) -> float:
    """By how much counts of units vary more than chance lets them: Pearson's chi-square over its degrees of freedom.

    Never below 1; 1 with fewer than two units or without a fault. P. McCullagh and J. A. Nelder, Generalized Linear
    Models, 2nd ed. 1989, section 4.5.2.
    """
    x, n = np.asarray(faults, float), np.asarray(chances, float)
    x, n = x[n > 0], n[n > 0]
    if x.size < 2 or not 0 < x.sum() < n.sum():
        return 1.0
    share = x.sum() / n.sum()
    chi_square = float(np.sum((x - n * share) ** 2 / (n * share * (1 - share))))
    return max(1.0, chi_square / (x.size - 1))


def widened(faults: ArrayLike, chances: ArrayLike, by: ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Limits of `clopper_pearson` for counts that vary `by` times more than chance: as of so many times fewer."""
    x, n, times = np.asarray(faults, float), np.asarray(chances, float), np.asarray(by, float)
    return clopper_pearson(x / times, n / times, level)

"""Did the share of bad ones change at some point, once and for good? The likelihood-ratio test with its exact p."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from runlog.statistics.proportions import Floats

_SAME = 1e-9


@dataclass(frozen=True)
class ChangePoint:
    """The likeliest point of change of a series of good and bad.

    Attributes
    ----------
    split : int
        How many came before it.
    statistic : float
        Twice the gain in log-likelihood over one share throughout.
    p : float
        Chance of a gain as great as this at any point, were all orders of the same good and bad equally likely.
    """

    split: int
    statistic: float
    p: float


def change_point(bad: ArrayLike) -> ChangePoint | None:
    """Find the likeliest point of change; None where all are alike, or there are fewer than two.

    Parameters
    ----------
    bad : array_like of bool
        In order of time.

    Notes
    -----
    K. J. Worsley, Biometrika 70 (1983) 455-464: the maximum over all points of the likelihood ratio for a change in a
    binomial probability, with its exact law given how many are bad: here the share of orders whose count of bad ones
    stays, from first to last, where the ratio is below the one seen, followed step by step.

    Examples
    --------
    Three good, then three bad: of the 20 orders, this and its mirror are the clearest.

    >>> found = change_point([0, 0, 0, 1, 1, 1])
    >>> found.split, round(found.p, 4)
    (3, 0.1)
    """
    series = np.asarray(bad, bool)
    size, count = series.size, int(series.sum())
    if size < 2 or not 0 < count < size:
        return None
    ratio = _ratios(size, count)
    so_far = np.cumsum(series)[:-1]
    gain = ratio[np.arange(size - 1), so_far]
    split = int(np.argmax(gain)) + 1
    return ChangePoint(split, float(gain[split - 1]), _chance(ratio, float(gain[split - 1]), size, count))


def _ratios(size: int, count: int) -> Floats:
    """Ratio after 1, 2, ... of the series (rows) with 0, 1, ... bad among them (columns)."""
    before, bad = np.arange(1, size)[:, None], np.arange(count + 1)[None, :]
    with np.errstate(invalid="ignore"):
        split = _likelihood(bad, before) + _likelihood(count - bad, size - before)
        return 2 * (split - _likelihood(np.array(count), np.array(size)))


def _likelihood(bad: np.ndarray, of: np.ndarray) -> Floats:
    """Greatest log-likelihood of so many bad; not a number where there cannot be so many."""
    good = of - bad
    return special.xlogy(bad, bad / of) + special.xlogy(good, np.where(good >= 0, good / of, np.nan))


def _chance(ratio: Floats, seen: float, size: int, count: int) -> float:
    """Followed step by step: the chance of each count of bad ones, less that of orders that were ever as clear."""
    below = ratio < seen - _SAME
    bad, left = np.arange(count + 1), size - np.arange(size - 1)
    is_bad = np.clip((count - bad) / left[:, None], 0.0, 1.0)
    alive = np.zeros(count + 1)
    alive[0] = 1.0
    for turns_bad, stays_good, goes_on in zip(is_bad[:, :-1], 1 - is_bad, below, strict=True):
        step = alive * stays_good
        step[1:] += alive[:-1] * turns_bad
        alive = step * goes_on
    return float(min(1.0, max(0.0, 1.0 - alive.sum())))

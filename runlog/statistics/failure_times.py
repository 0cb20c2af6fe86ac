"""Do faults become more, or fewer? Trend tests over failure times, and the power law that fits them.

Times count from the start of watching, in hours or in reloads; watching ends at a set time unless said otherwise.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from runlog.statistics.proportions import Floats


@dataclass(frozen=True)
class Trend:
    """Outcome of a trend test.

    Attributes
    ----------
    statistic : float
        As its source defines it.
    p_fewer, p_more : float
        Chance of a trend as clear as this towards fewer (more) failures, were there none.
    """

    statistic: float
    p_fewer: float
    p_more: float

    @property
    def p(self) -> float:
        """Two-sided."""
        return min(1.0, 2 * min(self.p_fewer, self.p_more))


def laplace(times: ArrayLike, until: float) -> Trend:
    """Laplace's test: do the failures lie early or late? Above 0: late, so more and more of them.

    Notes
    -----
    NIST/SEMATECH e-Handbook, section 8.2.3.4: sqrt(12 r) x (mean time - T/2) / T, about standard normal.
    """
    t = np.asarray(times, float)
    score = float(np.sqrt(12 * t.size) * (t - until / 2).sum() / (t.size * until))
    return Trend(score, float(special.ndtr(score)), float(special.ndtr(-score)))


def military_handbook(times: ArrayLike, until: float) -> Trend:
    """The Military Handbook test; the statistic is large where failures become fewer.

    Notes
    -----
    MIL-HDBK-189 (1981); NIST/SEMATECH e-Handbook, section 8.2.3.4: 2 x sum ln(T/t) is chi-square with 2r degrees.
    """
    t = np.asarray(times, float)
    score = float(2 * np.log(until / t).sum())
    return Trend(score, float(special.gammaincc(t.size, score / 2)), float(special.gammainc(t.size, score / 2)))


def reverse_arrangements(times: ArrayLike) -> Trend:
    """Count pairs of gaps of which the later is longer; many of them: failures become fewer.

    Exact up to 100 gaps, about normal beyond; equal gaps are no reversal.

    Notes
    -----
    NIST/SEMATECH e-Handbook, section 8.2.3.4; the exact law is that of inversions of a permutation (M. G. Kendall,
    Rank Correlation Methods).
    """
    gaps = np.diff(np.asarray(times, float), prepend=0.0)
    count = int(np.triu(gaps[None, :] > gaps[:, None], 1).sum())
    if gaps.size <= _EXACT:
        chance = np.asarray(_inversions(gaps.size))
        return Trend(float(count), float(chance[count:].sum()), float(chance[: count + 1].sum()))
    r = gaps.size
    middle, spread = r * (r - 1) / 4, np.sqrt(r * (r - 1) * (2 * r + 5) / 72)
    return Trend(
        float(count),
        float(special.ndtr(-(count - 0.5 - middle) / spread)),
        float(special.ndtr((count + 0.5 - middle) / spread)),
    )


_EXACT = 100


@cache
def _inversions(size: int) -> tuple[float, ...]:
    """Chance of each number of inversions of a permutation of so many."""
    chance = np.ones(1)
    for more in range(2, size + 1):
        chance = np.convolve(chance, np.full(more, 1.0 / more))
    return tuple(chance)


@dataclass(frozen=True)
class PowerLaw:
    """Failures as scale x time ^ shape: fewer and fewer with a shape below 1.

    Attributes
    ----------
    shape, scale : float
        The fitted law.
    shape_low, shape_high : float
        Limits of the shape.
    until : float
        End of watching.
    failures : int
        How many it was fitted to.
    """

    shape: float
    scale: float
    shape_low: float
    shape_high: float
    until: float
    failures: int

    def expected(self, time: ArrayLike) -> Floats:
        """Failures up to a time."""
        return self.scale * np.asarray(time, float) ** self.shape

    @property
    def intensity(self) -> float:
        """Failures per unit of time at the end."""
        return self.scale * self.shape * self.until ** (self.shape - 1)

    @property
    def mtbf(self) -> float:
        """Mean time between failures at the end."""
        return 1 / self.intensity

    def mtbf_limits(self, level: float = 0.80) -> tuple[float, float]:
        """Limits of `mtbf`; the upper is infinite with very few failures.

        Notes
        -----
        NIST/SEMATECH e-Handbook, section 8.4.5.2.
        """
        r, z = self.failures, float(special.ndtri((1 + level) / 2))
        pairs = self.mtbf * r * (r - 1)
        low = pairs / (r + z * z / 4 + np.sqrt(r * z * z / 2 + z**4 / 16)) ** 2
        rest = r - z * np.sqrt(r / 2)
        return float(low), float(pairs / rest**2) if rest > 0 else float("inf")


def power_law(times: ArrayLike, until: float, *, level: float = 0.90, modified: bool = True) -> PowerLaw:
    """Fit the power law to failure times.

    Parameters
    ----------
    times : array_like of float
        At least two, above 0.
    until : float
        End of watching.
    level : float
        Confidence of the limits of the shape.
    modified : bool
        Free the shape of its bias, (r-1)/r of the maximum likelihood; else plain maximum likelihood.

    Notes
    -----
    MIL-HDBK-189 (1981), appendix C; modified estimate: NIST/SEMATECH e-Handbook, section 8.4.5.2. The limits of
    the shape are exact: 2 r shape / shape_ML is chi-square with 2r degrees.
    """
    t = np.asarray(times, float)
    r, logs = t.size, float(np.log(until / t).sum())
    shape = (r - 1 if modified else r) / logs
    tail = (1 - level) / 2
    low, high = (float(special.gammaincinv(r, q)) / logs for q in (tail, 1 - tail))
    return PowerLaw(shape, r / until**shape, low, high, until, r)


def cramer_von_mises(times: ArrayLike, until: float) -> float:
    """How far failure times are from the power law; MIL-HDBK-189 (1981), appendix C: above about 0.2 none fits."""
    t = np.sort(np.asarray(times, float))
    r = t.size
    shape = (r - 1) / float(np.log(until / t).sum())
    return float(1 / (12 * r) + (((t / until) ** shape - (2 * np.arange(1, r + 1) - 1) / (2 * r)) ** 2).sum())


def power_law_of_counts(ends: ArrayLike, counts: ArrayLike) -> PowerLaw:
    """Fit the power law to counts of adjoining intervals that start at 0; limits of the shape are not given.

    Notes
    -----
    MIL-HDBK-189 (1981), appendix C, grouped data: maximum likelihood.
    """
    from scipy import optimize  # takes longer to import than most commands run

    end, n = np.asarray(ends, float), np.asarray(counts, float)
    begin = np.concatenate([[0.0], end[:-1]])

    def power_log(t: Floats, shape: float) -> Floats:
        return np.where(t > 0, t**shape * np.log(np.where(t > 0, t, 1.0)), 0.0)

    def slope(shape: float) -> float:
        steps = end**shape - begin**shape
        return float((n * ((power_log(end, shape) - power_log(begin, shape)) / steps - np.log(end[-1]))).sum())

    shape = float(optimize.brentq(slope, 0.01, 20.0))  # type: ignore[arg-type]
    nan = float("nan")
    return PowerLaw(shape, float(n.sum() / end[-1] ** shape), nan, nan, float(end[-1]), int(n.sum()))

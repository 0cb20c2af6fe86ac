"""Control charts: what a series may do by chance, and where it did more."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from runlog.statistics.proportions import Floats


@dataclass(frozen=True)
class Chart:
    """A series beside its limits.

    Attributes
    ----------
    value, low, high : ndarray
        What is drawn, and its limits, one a point.
    center : float
        Where it should be.
    """

    value: Floats
    low: Floats
    high: Floats
    center: float

    @property
    def is_out(self) -> NDArray[np.bool_]:
        """Points outside; one on a limit is inside."""
        return (self.value > self.high) | (self.value < self.low)


def c_chart(counts: ArrayLike) -> Chart:
    """Counts of equal chances; NIST/SEMATECH e-Handbook, section 6.3.3.1."""
    x = np.asarray(counts, float)
    center = float(x.mean())
    half = 3 * np.sqrt(center)
    return Chart(x, np.full(x.shape, max(0.0, center - half)), np.full(x.shape, center + half), center)


def p_chart(faults: ArrayLike, chances: ArrayLike) -> Chart:
    """Shares, of as many chances as there were each time; NIST/SEMATECH e-Handbook, section 6.3.3.2."""
    x, n = np.asarray(faults, float), np.asarray(chances, float)
    center = float(x.sum() / n.sum())
    half = 3 * np.sqrt(center * (1 - center) / n)
    return Chart(x / n, np.clip(center - half, 0, None), np.clip(center + half, None, 1), center)


def ewma(values: ArrayLike, center: float, spread: float, weight: float = 0.3, width: float = 3.0) -> Chart:
    """Exponentially weighted moving average with its limits in the long run.

    Parameters
    ----------
    values : array_like of float
        In order of time.
    center, spread : float
        Mean and standard deviation of the process when all is well.
    weight : float
        Of the newest value, above 0 and up to 1.
    width : float
        Limits, in standard deviations of the average.

    Notes
    -----
    NIST/SEMATECH e-Handbook, section 6.3.2.4: starts at the center; spread of the average sqrt(weight/(2-weight)).
    """
    x = np.asarray(values, float)
    fading = weight * (1 - weight) ** np.arange(x.size)
    average = center + np.convolve(x - center, fading)[: x.size] if x.size else x
    half = width * spread * np.sqrt(weight / (2 - weight))
    return Chart(average, np.full(x.shape, center - half), np.full(x.shape, center + half), center)


@dataclass(frozen=True)
class Cusum:
    """Sums of what a series is above (below) its target by more than a slack.

    Attributes
    ----------
    high, low : ndarray
        The sum of excess above and below, one a point.
    limit : float
        A sum above it is a signal.
    """

    high: Floats
    low: Floats
    limit: float

    @property
    def first_signal(self) -> int | None:
        """Number of the first point with a signal, from 0; None without one."""
        out = np.flatnonzero((self.high > self.limit) | (self.low > self.limit))
        return int(out[0]) if out.size else None

    def begins(self, point: int) -> int:
        """Where the run up to a point began: the point after the sum was last 0."""
        side = self.high if self.high[point] >= self.low[point] else self.low
        zeros = np.flatnonzero(side[: point + 1] == 0)
        return int(zeros[-1]) + 1 if zeros.size else 0


def cusum(values: ArrayLike, target: float, slack: float, limit: float) -> Cusum:
    """Tabular cumulative sums; NIST/SEMATECH e-Handbook, section 6.3.2.3."""
    x = np.asarray(values, float)
    return Cusum(_excess(x - target - slack), _excess(target - slack - x), limit)


def _excess(step: Floats) -> Floats:
    """max(0, sum so far + step), point by point: the walk above its lowest point so far, 0 included."""
    walk = np.cumsum(step)
    return walk - np.minimum(np.minimum.accumulate(walk), 0.0)


# --- charts without a trial period, and how seldom they signal by chance -------------------------


def self_starting(values: ArrayLike) -> Floats:
    """Each value on the scale of a standard normal, by mean and spread of those before it.

    Parameters
    ----------
    values : array_like of float
        In order of time, about normal; at least some of them different.

    Returns
    -------
    ndarray
        While all is well, independent standard normal values, however few there were before. 0 for the first two, and
        where all before were equal.

    Notes
    -----
    D. M. Hawkins, The Statistician 36 (1987) 299-315: (x - mean) / spread of the values before, times
    sqrt((n-1)/n), is Student's t with n-2 degrees of freedom, and is turned into the normal value of the same chance.
    """
    x = np.asarray(values, float)
    score = np.zeros(x.shape)
    if x.size < 3:
        return score
    centred = x - x[0]
    before = np.arange(2, x.size)
    mean = np.cumsum(centred)[1:-1] / before
    squares = np.cumsum(centred**2)[1:-1] - before * mean**2
    spread = np.sqrt(np.maximum(squares, 0.0) / (before - 1))
    told = spread > 1e-12 * (1 + np.abs(mean))
    t = np.where(told, (centred[2:] - mean) / np.where(told, spread, 1.0) * np.sqrt(before / (before + 1)), 0.0)
    tail = special.stdtr(before - 1, -np.abs(t))
    score[2:] = -np.sign(t) * special.ndtri(np.maximum(tail, 1e-300))
    return score


def cusum_run_length(slack: float, limit: float) -> float:
    """Mean number of standard normal values until a two-sided CUSUM signals by chance.

    Notes
    -----
    D. Siegmund, Sequential Analysis (1985), section 2.6: (exp(2 s b) - 2 s b - 1) / (2 s^2) for one side with slack s
    and b = limit + 1.166; half of that for both.
    """
    reach = 2 * slack * (limit + 1.166)
    return float((np.exp(reach) - reach - 1) / (4 * slack**2))


def ewma_run_length(weight: float, width: float) -> float:
    """Mean number of standard normal values until an EWMA with limits of so many of its spreads signals by chance.

    Notes
    -----
    S. V. Crowder, Technometrics 29 (1987) 401-407: the run length from each start solves an integral equation, here by
    Gauss-Legendre quadrature with 61 nodes.
    """
    half = width * np.sqrt(weight / (2 - weight))
    node, share = _nodes()
    at = half * node
    step = (at[None, :] - (1 - weight) * at[:, None]) / weight
    chance = half * share[None, :] * np.exp(-(step**2) / 2) / np.sqrt(2 * np.pi) / weight
    run = np.linalg.solve(np.eye(at.size) - chance, np.ones(at.size))
    return float(run[at.size // 2])


@cache
def _nodes() -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(61)


def cusum_limit(run_length: float, slack: float = 0.5) -> float:
    """Limit at which a CUSUM signals by chance once in so many values."""
    return _solved(lambda limit: cusum_run_length(slack, limit), run_length, 40.0)


def ewma_width(run_length: float, weight: float) -> float:
    """Width of limits at which an EWMA signals by chance once in so many values."""
    return _solved(lambda width: ewma_run_length(weight, width), run_length, 6.0)


def _solved(of: Callable[[float], float], wanted: float, most: float) -> float:
    """Where a rising function takes a value, between 0 and a bound."""
    low, high = 0.0, most
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if of(middle) < wanted else (low, middle)
    return high

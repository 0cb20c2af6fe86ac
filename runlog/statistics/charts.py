"""Control charts: what a series may do by chance, and where it did more."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

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

"""Does a series change? Two rank tests, and what to make of both for many series at once.

    found = verdicts([values_a, values_b])      one Verdict a series

A trend is sought by Mann-Kendall, a step by Pettitt; both only compare values with each other, so neither outliers nor
the shape of the distribution matter. Where values hang together (a bad night makes the next one worse), both tests
widen by as much. The smaller p, doubled for having looked twice, stands for the series; over all series
of a review the false discovery rate is held at 5 % (Benjamini-Hochberg). How often that cries wolf was measured:
docs/figures.md.

References
----------
Mann, Econometrica 13 (1945) 245-259; Kendall, Rank Correlation Methods (ties). Pettitt, Applied Statistics 28 (1979)
126-135. Bayley and Hammersley, J. R. Statist. Soc. Suppl. 8 (1946) 184-197; Marriott and Pope, Biometrika 41 (1954)
390-402. Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995)
289-300.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal, Self

import numpy as np

from runlog.statistics.proportions import false_discovery_q

Shape = Literal["steady", "rising", "falling", "stepped", "too few to tell"]

FALSE_DISCOVERY_RATE: Final = 0.05
_MOST_TOGETHER: Final = 0.95
LEAST_VALUES: Final = 10
"""With fewer values nothing is said: the smallest p of Pettitt's test would be no small one."""


@dataclass(frozen=True)
class Verdict:
    """What can be said of one series.

    Attributes
    ----------
    shape : {"steady", "rising", "falling", "stepped", "too few to tell"}
        `steady`: no change that chance would not make as well.
    step_at : int or None
        Number of the first value after the step, from 0; None unless `stepped`.
    p : float
        Chance of a change as clear as this in a series without any; 1 where nothing was tested.
    q : float
        The same, adjusted for all series looked at.
    """

    shape: Shape
    step_at: int | None
    p: float
    q: float


def verdicts(series: Sequence[Sequence[float]]) -> list[Verdict]:
    """Judge some series together.

    Parameters
    ----------
    series : sequence of sequence of float
        In order of time, without gaps.
    """
    judged = [_judged(np.asarray(values, float)) for values in series]
    tested = [one.p for one in judged if one.shape != "too few to tell"]
    adjusted = iter(false_discovery_q(tested).tolist())
    return [one.told(next(adjusted)) if one.shape != "too few to tell" else one.told(1.0) for one in judged]


def mann_kendall(values: np.ndarray, widening: float = 1.0) -> tuple[int, float]:
    """S and the two-sided p of the Mann-Kendall test, normal approximation with continuity correction and ties.

    Parameters
    ----------
    values : ndarray
        In order of time.
    widening : float
        Factor on the variance, for values that hang together; 1 without.
    """
    return _mann_kendall(_Ranked.of(values), widening)


def pettitt(values: np.ndarray, widening: float = 1.0) -> tuple[int, int, float]:
    """K, the number of values before the step, and the two-sided p (Pettitt's approximation) of the Pettitt test."""
    return _pettitt(_Ranked.of(values), widening)


@dataclass(frozen=True)
class _Ranked:
    """All that the tests look at, found once for a series.

    Attributes
    ----------
    ranks : ndarray
        Rank of each value, from 1; equal values share the mean of theirs.
    ties : ndarray
        How often each value comes.
    """

    ranks: np.ndarray
    ties: np.ndarray

    @classmethod
    def of(cls, values: np.ndarray) -> Self:
        _, place, times = np.unique(values, return_inverse=True, return_counts=True)
        return cls((np.cumsum(times) - (times - 1) / 2)[place], times)

    @cached_property
    def s(self) -> int:
        """Of Mann-Kendall: pairs of which the later is higher, less those of which it is lower."""
        later = self.ranks[None, :] - self.ranks[:, None]
        return int(np.triu(np.sign(later), 1).sum())

    @cached_property
    def u(self) -> np.ndarray:
        """Of Pettitt, after each value but the last."""
        n = len(self.ranks)
        return 2 * np.cumsum(self.ranks)[:-1] - np.arange(1, n) * (n + 1)

    @cached_property
    def split(self) -> int:
        """Number of values before the clearest step."""
        return int(np.argmax(np.abs(self.u))) + 1


def _mann_kendall(series: _Ranked, widening: float) -> tuple[int, float]:
    n, ties = len(series.ranks), series.ties
    spread = (n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18 * widening
    if spread <= 0 or series.s == 0:
        return series.s, 1.0
    return series.s, math.erfc((abs(series.s) - 1) / math.sqrt(2 * spread))


def _pettitt(series: _Ranked, widening: float) -> tuple[int, int, float]:
    n = len(series.ranks)
    k = round(abs(float(series.u[series.split - 1])))
    return k, series.split, min(1.0, 2 * math.exp(-6 * k**2 / widening / (n**3 + n**2)))


def widening(residuals: np.ndarray) -> float:
    """Factor (1 + r) / (1 - r) by which values that hang together widen the variance of a mean rank; at least 1.

    Parameters
    ----------
    residuals : ndarray
        Ranks less the fitted line or step.

    Notes
    -----
    r is the first autocorrelation, corrected for the bias that fitting two parameters brings, about (2 + 4 r) / n
    (after Marriott and Pope 1954, who fit one). A series of n such values tells as much as n (1 - r) / (1 + r)
    independent ones (Bayley and Hammersley 1946).
    """
    n = len(residuals)
    centred = residuals - residuals.mean()
    power = float(centred @ centred)
    if power == 0:
        return 1.0
    r = (n * float(centred[:-1] @ centred[1:]) / power + 2) / (n - 4)
    r = min(max(r, 0.0), _MOST_TOGETHER)
    return (1 + r) / (1 - r)


@dataclass(frozen=True)
class _Judged:
    shape: Shape
    step_at: int | None
    p: float

    def told(self, q: float) -> Verdict:
        if self.shape == "too few to tell" or q <= FALSE_DISCOVERY_RATE:
            return Verdict(self.shape, self.step_at, self.p, q)
        return Verdict("steady", None, self.p, q)


def _judged(values: np.ndarray) -> _Judged:
    """What the series would be called if its change were no chance."""
    if len(values) < LEAST_VALUES:
        return _Judged("too few to tell", None, 1.0)
    series = _Ranked.of(values)
    ranks, split = series.ranks, series.split
    as_line, as_step = _line(ranks), _step(ranks, split)
    misfit = [float(((ranks - fit) ** 2).sum()) for fit in (as_line, as_step)]
    wider = widening(ranks - (as_line if misfit[0] <= misfit[1] else as_step))
    s, p_trend = _mann_kendall(series, wider)
    _, _, p_step = _pettitt(series, wider)
    p = min(1.0, 2 * min(p_trend, p_step))
    if misfit[1] < misfit[0]:
        return _Judged("stepped", split, p)
    return _Judged("rising" if s > 0 else "falling", None, p)


def _line(ranks: np.ndarray) -> np.ndarray:
    at = np.arange(len(ranks)) - (len(ranks) - 1) / 2
    return ranks.mean() + at * float(at @ ranks) / float(at @ at)


def _step(ranks: np.ndarray, split: int) -> np.ndarray:
    return np.where(np.arange(len(ranks)) < split, ranks[:split].mean(), ranks[split:].mean())

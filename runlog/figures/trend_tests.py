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

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal, Self

import numpy as np
from scipy import special

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


def verdicts(series: Sequence[Sequence[float] | np.ndarray]) -> list[Verdict]:
    """Judge some series together.

    Parameters
    ----------
    series : sequence of sequence of float, or of ndarray
        In order of time, without gaps.
    """
    judged = [_Judged("too few to tell", None, 1.0)] * len(series)
    for places, values in _of_one_length(series):
        for place, one in zip(places, _judged(values), strict=True):
            judged[place] = one
    tested = [one.p for one in judged if one.shape != "too few to tell"]
    adjusted = iter(false_discovery_q(tested).tolist())
    return [one.told(next(adjusted)) if one.shape != "too few to tell" else one.told(1.0) for one in judged]


def _of_one_length(series: Sequence[Sequence[float] | np.ndarray]) -> Iterator[tuple[list[int], np.ndarray]]:
    """Places of series that are long enough, and their values, a row each."""
    lengths = np.fromiter(map(len, series), int, len(series))
    for length in np.unique(lengths[lengths >= LEAST_VALUES]).tolist():
        places = np.flatnonzero(lengths == length).tolist()
        yield places, np.array([series[place] for place in places], float)


def mann_kendall(values: np.ndarray, widening: float = 1.0) -> tuple[int, float]:
    """S and the two-sided p of the Mann-Kendall test, normal approximation with continuity correction and ties.

    Parameters
    ----------
    values : ndarray
        In order of time.
    widening : float
        Factor on the variance, for values that hang together; 1 without.
    """
    series = _Ranked.of(np.asarray(values, float)[None])
    return int(series.s[0]), float(_p_of_trend(series, np.array([widening]))[0])


def pettitt(values: np.ndarray, widening: float = 1.0) -> tuple[int, int, float]:
    """K, the number of values before the step, and the two-sided p (Pettitt's approximation) of the Pettitt test."""
    series = _Ranked.of(np.asarray(values, float)[None])
    return round(float(series.k[0])), int(series.split[0]), float(_p_of_step(series, np.array([widening]))[0])


@dataclass(frozen=True)
class _Ranked:
    """All that the tests look at, found once for some series of one length; a row a series.

    Attributes
    ----------
    ranks : ndarray
        Rank of each value, from 1; equal values share the mean of theirs.
    alike : ndarray
        How often each value comes.
    s : ndarray
        Of Mann-Kendall, a number a series: pairs of which the later is higher, less those of which it is lower.
    """

    ranks: np.ndarray
    alike: np.ndarray
    s: np.ndarray

    @classmethod
    def of(cls, values: np.ndarray) -> Self:
        ranks, alike = _ranked(values)
        return cls(ranks, alike, _later_higher(ranks))

    @property
    def length(self) -> int:
        """Values of each series."""
        return self.ranks.shape[1]

    @cached_property
    def u(self) -> np.ndarray:
        """Of Pettitt, after each value but the last."""
        n = self.length
        return 2 * np.cumsum(self.ranks, axis=1)[:, :-1] - np.arange(1, n) * (n + 1)

    @cached_property
    def k(self) -> np.ndarray:
        """Of Pettitt, a number a series."""
        return np.abs(self.u).max(axis=1)

    @cached_property
    def split(self) -> np.ndarray:
        """Number of values before the clearest step."""
        return np.abs(self.u).argmax(axis=1) + 1


def _ranked(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rank of each value in its row, and how often the value comes there."""
    order = np.argsort(values, axis=1, kind="stable")
    ascending = np.take_along_axis(values, order, axis=1)
    differs = np.ones(values.shape, bool)
    differs[:, 1:] = ascending[:, 1:] != ascending[:, :-1]
    begins = np.flatnonzero(differs)
    among = np.cumsum(differs) - 1
    times = np.diff(begins, append=values.size)
    ranks, alike = np.empty(values.shape), np.empty(values.shape, int)
    for told, of_value in ((ranks, begins % values.shape[1] + (times + 1) / 2), (alike, times)):
        np.put_along_axis(told, order, of_value[among].reshape(values.shape), axis=1)
    return ranks, alike


def _later_higher(ranks: np.ndarray) -> np.ndarray:
    """Pairs of each row of which the later is higher, less those of which it is lower."""
    by_time = np.ascontiguousarray(2 * ranks.T, np.int32)
    found = np.zeros(len(ranks), int)
    # Beside itself, moved by one value, by two and so on: all pairs at once would not stay near the processor.
    for apart in range(1, len(by_time)):
        found += np.sign(by_time[apart:] - by_time[:-apart]).sum(axis=0)
    return found


def _p_of_trend(series: _Ranked, widening: np.ndarray) -> np.ndarray:
    n, alike, size = series.length, series.alike, np.abs(series.s)
    # Each of t equal values brings its share of t (t - 1) (2 t + 5).
    spread = (n * (n - 1) * (2 * n + 5) - ((alike - 1) * (2 * alike + 5)).sum(axis=1)) / 18 * widening
    tells = (spread > 0) & (size > 0)
    return np.where(tells, special.erfc((size - 1) / np.sqrt(2 * np.where(tells, spread, 1.0))), 1.0)


def _p_of_step(series: _Ranked, widening: np.ndarray) -> np.ndarray:
    n = series.length
    return np.minimum(1.0, 2 * np.exp(-6 * series.k**2 / widening / (n**3 + n**2)))


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
    return float(_widening(np.asarray(residuals, float)[None])[0])


def _widening(residuals: np.ndarray) -> np.ndarray:
    n = residuals.shape[1]
    centred = residuals - residuals.mean(axis=1, keepdims=True)
    power = (centred**2).sum(axis=1)
    hangs = power > 0
    beside = (centred[:, :-1] * centred[:, 1:]).sum(axis=1)
    r = (n * beside / np.where(hangs, power, 1.0) + 2) / (n - 4)
    r = np.clip(r, 0.0, _MOST_TOGETHER)
    return np.where(hangs, (1 + r) / (1 - r), 1.0)


@dataclass(frozen=True)
class _Judged:
    shape: Shape
    step_at: int | None
    p: float

    def told(self, q: float) -> Verdict:
        if self.shape == "too few to tell" or q <= FALSE_DISCOVERY_RATE:
            return Verdict(self.shape, self.step_at, self.p, q)
        return Verdict("steady", None, self.p, q)


def _judged(values: np.ndarray) -> list[_Judged]:
    """What series of one length, a row each, would be called if their change were no chance."""
    series = _Ranked.of(values)
    ranks = series.ranks
    as_line, as_step = _line(ranks), _step(ranks, series.split)
    beside_line, beside_step = (((ranks - fit) ** 2).sum(axis=1) for fit in (as_line, as_step))
    is_step = beside_step < beside_line
    wider = _widening(ranks - np.where(is_step[:, None], as_step, as_line))
    p = np.minimum(1.0, 2 * np.minimum(_p_of_trend(series, wider), _p_of_step(series, wider)))
    told = zip(is_step.tolist(), series.split.tolist(), series.s.tolist(), p.tolist(), strict=True)
    return [
        _Judged("stepped", split, chance) if steps else _Judged("rising" if s > 0 else "falling", None, chance)
        for steps, split, s, chance in told
    ]


def _line(ranks: np.ndarray) -> np.ndarray:
    at = np.arange(ranks.shape[1]) - (ranks.shape[1] - 1) / 2
    return ranks.mean(axis=1, keepdims=True) + at * (ranks @ at / (at @ at))[:, None]


def _step(ranks: np.ndarray, split: np.ndarray) -> np.ndarray:
    n = ranks.shape[1]
    is_before = np.arange(n) < split[:, None]
    before, after = (np.where(side, ranks, 0.0).sum(axis=1, keepdims=True) for side in (is_before, ~is_before))
    return np.where(is_before, before / split[:, None], after / (n - split)[:, None])

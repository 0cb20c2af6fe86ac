"""How long runs last, and what ends them: survival curves, competing causes, faults per machine over time."""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from runlog.statistics.proportions import Floats


@dataclass(frozen=True)
class Curve:
    """A survival curve: a step at each time something ended.

    Attributes
    ----------
    time : ndarray
        When, ascending.
    at_risk, ended : ndarray
        How many were still going just before, how many ended there.
    surviving, error : ndarray
        Share still going after it, and its standard error (Greenwood).
    low, high : ndarray
        Limits of the share, on the log-log scale.
    """

    time: Floats
    at_risk: Floats
    ended: Floats
    surviving: Floats
    error: Floats
    low: Floats
    high: Floats

    def at(self, time: float) -> float:
        """Share still going at a time."""
        before = self.time <= time
        return float(self.surviving[before][-1]) if before.any() else 1.0

    def quantile(self, share: float) -> float | None:
        """First time at which no more than a share is still going; None if that was never seen."""
        reached = np.flatnonzero(self.surviving <= share + 1e-12)
        return float(self.time[reached[0]]) if reached.size else None


def kaplan_meier(length: ArrayLike, ended: ArrayLike, level: float = 0.95) -> Curve:
    """Share of runs that last longer than a time.

    Parameters
    ----------
    length : array_like of float
        How long each was seen.
    ended : array_like of bool
        Whether it ended of itself; else it was still going when last seen. One that was last seen when another
        ended is still at risk there.
    level : float
        Confidence of the limits at each time.

    Notes
    -----
    E. L. Kaplan and P. Meier, J. Amer. Statist. Assoc. 53 (1958) 457-481; Greenwood's variance; limits on the log-log
    scale: J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd ed. 2003, section 4.3.
    """
    times, at_risk, events = _table(length, ended)
    surviving: Floats = np.cumprod(1 - events / at_risk).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(events / (at_risk * (at_risk - events)))
        error = surviving * np.sqrt(greenwood)
        theta = float(special.ndtri((1 + level) / 2)) * np.sqrt(greenwood) / np.log(surviving)
        low, high = surviving ** np.exp(-theta), surviving ** np.exp(theta)
    sound = (surviving > 0) & (surviving < 1)
    return Curve(
        times,
        at_risk,
        events,
        surviving,
        np.where(sound | (surviving == 1), error, np.nan),
        np.where(sound, low, np.where(surviving == 1, 1.0, 0.0)),
        np.where(sound, high, np.where(surviving == 1, 1.0, np.nan)),
    )


def log_rank(lengths: Sequence[ArrayLike], ended: Sequence[ArrayLike]) -> tuple[float, float]:
    """Whether groups last differently: chi-square, and its p with groups - 1 degrees of freedom.

    Notes
    -----
    N. Mantel, Cancer Chemother. Rep. 50 (1966) 163-170.
    """
    whole = np.concatenate([np.asarray(one, float) for one in lengths])
    times, at_risk, events = _table(whole, np.concatenate([np.asarray(one, bool) for one in ended]))
    risk = np.stack([_still_going(np.asarray(one, float), times) for one in lengths])
    seen = np.stack(
        [_counts(np.asarray(one, float)[np.asarray(end, bool)], times) for one, end in zip(lengths, ended, strict=True)]
    )
    excess = (seen - events * risk / at_risk).sum(axis=1)[:-1]
    spread = events * (at_risk - events) / np.where(at_risk > 1, at_risk - 1, 1)
    share = risk / at_risk
    kind = np.eye(len(lengths))
    covariance = np.einsum("t,gt,ght->gh", spread, share, kind[:, :, None] - share[None, :, :])[:-1, :-1]
    if not np.any(covariance):
        return 0.0, 1.0
    score = float(excess @ np.linalg.pinv(covariance) @ excess)
    return score, float(special.gammaincc((len(lengths) - 1) / 2, score / 2))


@dataclass(frozen=True)
class Incidence:
    """What share has ended by each cause so far.

    Attributes
    ----------
    time : ndarray
        When, ascending.
    by_cause : dict of Hashable to ndarray
        Share ended by each cause up to and including each time.
    surviving : ndarray
        Share still going; all of them sum to 1.
    """

    time: Floats
    by_cause: dict[Hashable, Floats]
    surviving: Floats


def aalen_johansen(length: ArrayLike, cause: Sequence[Hashable | None]) -> Incidence:
    """Share of runs ended by each cause, where causes compete: one that ended by another cannot end by this one.

    Parameters
    ----------
    length : array_like of float
        How long each was seen.
    cause : sequence
        What ended it; None if it was still going when last seen.

    Notes
    -----
    O. O. Aalen and S. Johansen, Scand. J. Statist. 5 (1978) 141-150.
    """
    lasted = np.asarray(length, float)
    did_end = np.array([one is not None for one in cause], bool)
    times, at_risk, events = _table(lasted, did_end)
    surviving: Floats = np.cumprod(1 - events / at_risk).astype(np.float64)
    before = np.concatenate([[1.0], surviving[:-1]])
    names = list(dict.fromkeys(one for one in cause if one is not None))
    by_cause: dict[Hashable, Floats] = {}
    for name in names:
        own = _counts(lasted[np.array([one == name for one in cause], bool)], times)
        by_cause[name] = np.cumsum(before * own / at_risk)
    return Incidence(times, by_cause, surviving)


@dataclass(frozen=True)
class MeanCount:
    """Mean number of events a unit has had so far: time, units watched then, mean."""

    time: Floats
    at_risk: Floats
    mean: Floats


def mean_cumulative_function(event_times: Sequence[ArrayLike], watched_until: ArrayLike) -> MeanCount:
    """Mean number of faults a machine has had by a time, where machines were watched for different lengths.

    Parameters
    ----------
    event_times : sequence of array_like
        One array a unit, empty where it had none.
    watched_until : array_like of float
        One a unit; a unit whose watching ends when an event falls is still counted there.

    Notes
    -----
    W. Nelson, Technometrics 37 (1995) 147-157.
    """
    until = np.asarray(watched_until, float)
    events = np.concatenate([np.asarray(one, float) for one in event_times])
    times, counts = np.unique(events, return_counts=True)
    at_risk = _still_going(until, times)
    return MeanCount(times, at_risk, np.cumsum(counts / at_risk))


def _table(length: ArrayLike, ended: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Times at which something ended, how many were at risk just before, how many ended."""
    lasted, did_end = np.asarray(length, float), np.asarray(ended, bool)
    times, events = np.unique(lasted[did_end], return_counts=True)
    return times, _still_going(lasted, times), events.astype(float)


def _still_going(lasted: Floats, times: Floats) -> Floats:
    return (lasted.size - np.searchsorted(np.sort(lasted), times, side="left")).astype(float)


def _counts(lasted: Floats, times: Floats) -> Floats:
    order = np.sort(lasted)
    return (np.searchsorted(order, times, side="right") - np.searchsorted(order, times, side="left")).astype(float)

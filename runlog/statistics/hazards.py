"""How often runs are ended, by the hour and by the reload, as far as history tells: posteriors, and what they imply.

    stops = gamma_posterior(events, hours)        # one a machine, shrunken towards the others
    chance = stops.no_event(8.0)                  # to last eight hours; closed form

A rate is known the worse the less was seen: with few stops its posterior is wide, and with it all that is forecast.
Units that differ by no more than chance share what they know, but the others never count for more than they saw, nor
for more than MOST_FROM_OTHERS events: no history of theirs makes a machine of its own certain.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from runlog.statistics.proportions import Floats

MOST_FROM_OTHERS: Final = 10.0
"""So many events the other units count for at most. Own choice: rates of units of a shop differ by a third at least."""
FIRST_H: Final = 1.0
"""The first hour of a run has a rate of its own: a setting not quite right, a tool put in wrong. [h]"""
_LONG: Final = 500.0
"""Exponents beyond which a time is as good as never."""
_HALF: Final = 0.5
"""An event not seen counts for half a one (H. Jeffreys): a unit without a stop is not one that never stops."""


@dataclass(frozen=True)
class GammaRates:
    """Rates per hour: gamma distributions, one a unit.

    Attributes
    ----------
    shape : ndarray
        Events it is worth.
    rate : ndarray
        Hours it is worth. [h]
    """

    shape: Floats
    rate: Floats

    def of(self, place: Any) -> "GammaRates":
        """Some of the units; any index of arrays."""
        return GammaRates(self.shape[place], self.rate[place])

    @property
    def mean(self) -> Floats:
        """Events per hour. [1/h]"""
        return self.shape / self.rate

    def no_event(self, hours: ArrayLike) -> Floats:
        """Chance of so many hours without an event, the rate itself uncertain (Lomax). [0..1]

        Examples
        --------
        >>> float(GammaRates(np.array(1.0), np.array(8.0)).no_event(8.0))
        0.5
        """
        return np.exp(-self.shape * np.log1p(np.asarray(hours, float) / self.rate))

    def first_event(self, rng: np.random.Generator, draws: int) -> Floats:
        """Hours to the first event drawn, draws along the last axis; the rate itself uncertain. [h]"""
        waits = rng.standard_exponential((*self.shape.shape, draws)) / np.maximum(self.shape, 1e-300)[..., None]
        return self.rate[..., None] * np.expm1(np.minimum(waits, _LONG))

    def drawn(self, rng: np.random.Generator, draws: int) -> Floats:
        """Rates drawn, draws along the last axis. [1/h]"""
        return rng.standard_gamma(self.shape[..., None], (*self.shape.shape, draws)) / self.rate[..., None]


@dataclass(frozen=True)
class Stages:
    """Rates per hour in the first hour of a run, and after it.

    Attributes
    ----------
    first, later : GammaRates
        Up to FIRST_H, and from then on.
    """

    first: GammaRates
    later: GammaRates

    @property
    def known(self) -> NDArray[np.bool_]:
        """Where the shop has hours of both: elsewhere nothing can be said."""
        return (self.first.rate > 0) & (self.later.rate > 0)

    def of(self, place: Any) -> "Stages":
        """Some of the units; any index of arrays."""
        return Stages(self.first.of(place), self.later.of(place))

    def no_event(self, hours: ArrayLike) -> Floats:
        """Chance of so many hours from the start without an event. [0..1]"""
        first, later = _staged(hours)
        return self.first.no_event(first) * self.later.no_event(later)

    def first_event(self, rng: np.random.Generator, draws: int) -> Floats:
        """Hours to the first event drawn, draws along the last axis. [h]"""
        soon = self.first.first_event(rng, draws)
        return np.where(soon < FIRST_H, soon, FIRST_H + self.later.first_event(rng, draws))

    def lasting(self, rng: np.random.Generator, hours: Floats) -> Floats:
        """Chance of so many hours without an event at rates drawn, one drawing a column of `hours`. [0..1]"""
        draws = hours.shape[-1]
        first, later = _staged(hours)
        return np.exp(-self.first.drawn(rng, draws) * first - self.later.drawn(rng, draws) * later)


def _staged(hours: ArrayLike) -> tuple[Floats, Floats]:
    """Hours of the first stage and of the later one."""
    whole = np.asarray(hours, float)
    return np.minimum(whole, FIRST_H), np.maximum(whole - FIRST_H, 0.0)


@dataclass(frozen=True)
class BetaChances:
    """Chances per reload: beta distributions, one a unit; alpha 0 where a reload never fails.

    Attributes
    ----------
    alpha, beta : ndarray
        Failed and good reloads it is worth.
    """

    alpha: Floats
    beta: Floats

    @property
    def mean(self) -> Floats:
        """Failures per reload."""
        return self.alpha / (self.alpha + self.beta)

    def no_event(self, reloads: ArrayLike) -> Floats:
        """Chance of so many reloads without a failure, the chance itself uncertain (beta-binomial). [0..1]

        Examples
        --------
        >>> round(float(BetaChances(np.array(1.0), np.array(9.0)).no_event(1)), 3)
        0.9
        """
        n, whole = np.asarray(reloads, float), self.alpha + self.beta
        return np.exp(
            special.gammaln(self.beta + n)
            - special.gammaln(self.beta)
            + special.gammaln(whole)
            - special.gammaln(whole + n)
        )

    def of(self, place: Any) -> "BetaChances":
        """Some of the units; any index of arrays."""
        return BetaChances(self.alpha[place], self.beta[place])

    def no_event_up_to(self, reloads: int) -> Floats:
        """The same for 0, 1, ... so many reloads, along the last axis: each reload multiplies one chance more."""
        n = np.arange(reloads, dtype=float)
        each = (self.beta[..., None] + n) / (self.alpha[..., None] + self.beta[..., None] + n)
        return np.concatenate([np.ones((*self.alpha.shape, 1)), np.cumprod(each, axis=-1)], axis=-1, dtype=np.float64)

    def first_event(self, rng: np.random.Generator, draws: int, most: int) -> Floats:
        """The how-manieth reload fails first, drawn; inf where none of `most` does. One axis of units."""
        failed = 1 - self.no_event_up_to(most)
        rows = np.arange(len(failed))[:, None]
        # Row numbers make one ascending list of all rows: one search serves them all.
        found = np.searchsorted(
            (rows + failed).ravel(), (rows + rng.random((len(failed), draws))).ravel(), side="right"
        )
        number = found.reshape(len(failed), draws) - rows * (most + 1)
        return np.where(number > most, np.inf, number)

    def drawn(self, rng: np.random.Generator, draws: int) -> Floats:
        """Chances drawn, draws along the last axis."""
        shape = (*self.alpha.shape, draws)
        failing = rng.standard_gamma(self.alpha[..., None], shape)
        return failing / (failing + rng.standard_gamma(self.beta[..., None], shape))


def gamma_posterior(events: ArrayLike, hours: ArrayLike) -> GammaRates:
    """Rates of units from their own events and those of the others.

    Parameters
    ----------
    events, hours : array_like of float
        Events and hours seen, units along the last axis; axes before it are shops of their own (or the same at other
        times).

    Returns
    -------
    GammaRates
        Of the shape of `events`. Rate 0, and nothing can be said, where no unit has an hour.

    Notes
    -----
    The gamma prior has the mean of all units and the variance between them by the moments of H. Buehlmann and E. Straub
    (Mitt. Ver. schweiz. Vers.-Math. 70, 1970; from memory), the variance within being that of Poisson counts.
    """
    k, e = np.asarray(events, float), np.asarray(hours, float)
    seen, time = k.sum(-1, keepdims=True), e.sum(-1, keepdims=True)
    mean = _ratio(seen + _HALF, time)
    between = _between(k, e, mean, mean)
    shape = _worth(mean, between, seen - k)
    others = time - e
    alone = others <= 0
    own_rate = np.where(alone, 0.0, _ratio(shape, mean))
    return GammaRates(np.where(alone, _HALF, shape) + k, own_rate + e)


def beta_posterior(faults: ArrayLike, chances: ArrayLike) -> BetaChances:
    """Chances of units from their own faults and those of the others; as `gamma_posterior`.

    Parameters
    ----------
    faults, chances : array_like of float
        Failed reloads and all of them, units along the last axis.

    Returns
    -------
    BetaChances
        Alpha 0 where no unit had a chance: nothing is known, nothing is expected to fail.
    """
    k, n = np.asarray(faults, float), np.asarray(chances, float)
    seen, tried = k.sum(-1, keepdims=True), n.sum(-1, keepdims=True)
    mean = _ratio(seen + _HALF, tried + 1.0)
    between = _between(k, n, mean, mean * (1 - mean))
    shape = _worth(mean, between, seen - k)
    alone = (tried - n) <= 0
    alpha = np.where(alone, _HALF, shape) + k
    beta = np.where(alone, _HALF, _ratio(shape, mean) - shape) + n - k
    known = tried > 0
    return BetaChances(np.where(known, alpha, 0.0), np.where(known, beta, 1.0))


def _between(k: Floats, e: Floats, mean: Floats, within: Floats) -> Floats:
    """Variance of the rates of units beyond that of their counts; 0 where they vary no more than chance."""
    whole = e.sum(-1, keepdims=True)
    units = (e > 0).sum(-1, keepdims=True)
    own = _ratio(k, e)
    squares = (e * (own - mean) ** 2).sum(-1, keepdims=True)
    weight = whole - _ratio((e**2).sum(-1, keepdims=True), whole)
    return np.maximum(_ratio(squares - (units - 1) * within, weight), 0.0)


def _worth(mean: Floats, between: Floats, others: Floats) -> Floats:
    """Events that the other units count for."""
    alike = np.divide(mean**2, between, out=np.full_like(between, np.inf), where=between > 0)
    return np.minimum(np.minimum(alike, MOST_FROM_OTHERS), others + _HALF)


def _ratio(over: ArrayLike, under: ArrayLike) -> Floats:
    above, below = np.broadcast_arrays(np.asarray(over, float), np.asarray(under, float))
    return np.divide(above, below, out=np.zeros(above.shape), where=below > 0)

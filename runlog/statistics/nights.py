"""A night before it happens: how far a run gets, with what is not known drawn at random.

    courses = play(nights, rng, draws=2000)      # thousands of nights of each machine
    courses.parts                                # made, one row a machine
    expected = expected_parts(...)               # the same by formula, for a pace that is given

A run makes parts at its pace, changes the bar whenever one is used up, and ends with the first of: the end of its time,
the last bar, the order, a stop (by the hour worked), a reload that fails. Stops of the one kind have a constant rate,
those of the other a constant chance; both are uncertain themselves (`hazards`).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from runlog.statistics.hazards import BetaChances, Stages
from runlog.statistics.proportions import Floats

HOUR_S: Final = 3600.0
UNSEEN_PACE: Final = 0.03
"""By how much the pace of a night may be off where none was seen, worth one night. Common practice."""
_EACH: Final = (..., None)
"""Units, with an axis more for what is asked of each."""


@dataclass(frozen=True)
class Bars:
    """How stock is used up, one entry a run; arrays that broadcast.

    Attributes
    ----------
    cycle_s, reload_s : ndarray
        Planned time of a part and of a reload. [s]
    per_bar : ndarray
        Parts from a bar.
    left : ndarray
        Parts left on the bar in the spindle at the start.
    """

    cycle_s: Floats
    reload_s: Floats
    per_bar: Floats
    left: Floats

    def reloads(self, parts: Floats) -> Floats:
        """Reloads it takes to make so many parts."""
        return np.ceil(np.maximum(parts - self.left, 0.0) / self.per_bar)

    def time_s(self, parts: Floats) -> Floats:
        """Planned time to make so many parts. [s]"""
        return parts * self.cycle_s + _never_nan(self.reloads(parts), self.reload_s)

    def parts_in(self, seconds: Floats) -> Floats:
        """Parts made in so much planned time, the last one in part."""
        first = self.left * self.cycle_s
        beyond = np.maximum(seconds - first, 0.0)
        bar_s = self.reload_s + self.per_bar * self.cycle_s
        whole = np.floor(beyond / bar_s)
        on_last = np.clip((beyond - whole * bar_s - self.reload_s) / self.cycle_s, 0.0, self.per_bar)
        return np.where(seconds < first, seconds / self.cycle_s, self.left + whole * self.per_bar + on_last)


@dataclass(frozen=True)
class Nights:
    """Runs that are ahead, one a row.

    Attributes
    ----------
    hours : ndarray
        Clock time to the end of the window. [h]
    cycle_s, reload_s, per_bar : ndarray
        As planned.
    left : ndarray
        Parts left on the bar in the spindle; nan where nobody knows: drawn evenly.
    bars, order : ndarray
        Bars in the magazine, parts still wanted; inf where that does not limit.
    stops : Stages
        Night-ending stops per hour worked.
    failures : BetaChances
        Night-ending failures per reload.
    pace, working, missing : ndarray
        What history gave, several values a row, each as likely: clock time over planned time, share of the clock time
        worked, bars that were not there though the magazine was taken as full. Shape (rows, values).
    paced : ndarray
        Nights that the pace was seen in.
    """

    hours: Floats
    cycle_s: Floats
    reload_s: Floats
    per_bar: Floats
    left: Floats
    bars: Floats
    order: Floats
    stops: Stages
    failures: BetaChances
    pace: Floats
    working: Floats
    missing: Floats
    paced: Floats


@dataclass(frozen=True)
class Setting:
    """What is drawn of a night before anything fails: how far it would get, and what it would have to last for.

    Attributes
    ----------
    stock : Bars
    pace, working : ndarray
        One value a draw.
    by_time, by_bars : ndarray
        Parts that time and bars allow.
    parts : ndarray
        Parts at the planned end: the least that time, bars and order allow.
    worked_h : ndarray
        Hours of producing and reloading up to there. [h]
    reloads : ndarray
        Reloads up to there.
    """

    stock: Bars
    pace: Floats
    working: Floats
    by_time: Floats
    by_bars: Floats
    parts: Floats
    worked_h: Floats
    reloads: Floats


@dataclass(frozen=True)
class Courses:
    """How drawn nights went; rows by draws.

    Attributes
    ----------
    setting : Setting
    parts : ndarray
        Made.
    reached : ndarray of bool
        The planned end was reached: window end, last bar or order, whichever came first.
    stopped_h : ndarray
        When the night-ending stop came; nan where none did. [h] after the start
    bars_wanted : ndarray
        Bars it would have used, had the magazine held any number.
    """

    setting: Setting
    parts: Floats
    reached: np.ndarray
    stopped_h: Floats
    bars_wanted: Floats


def settings_of(nights: Nights, rng: np.random.Generator, draws: int) -> Setting:
    """Draw how far each night would get if nothing failed."""
    rows = nights.hours.size
    pick = rng.integers(0, nights.pace.shape[1], (rows, draws))
    pace = _smoothed(nights.pace, pick, nights.paced, rng)
    working = np.take_along_axis(nights.working, pick, 1)
    missing = np.take_along_axis(nights.missing, rng.integers(0, nights.missing.shape[1], (rows, draws)), 1)
    column = _column(nights)
    unknown = np.floor(rng.random((rows, draws)) * column["per_bar"])
    left = np.where(np.isnan(column["left"]), unknown, column["left"])
    stock = Bars(column["cycle_s"], column["reload_s"], column["per_bar"], left)
    # A past pace has whole parts in it, so the part in work at both ends is in the draw already: round, don't floor.
    by_time = np.floor(stock.parts_in(column["hours"] * HOUR_S / pace) + 0.5)
    by_bars = np.maximum(column["bars"] - missing, 0.0) * column["per_bar"] + left
    parts = np.minimum(np.minimum(by_time, by_bars), column["order"])
    end_h = np.minimum(stock.time_s(parts) * pace / HOUR_S, column["hours"])
    end_h = np.where(parts == by_time, column["hours"], end_h)
    return Setting(stock, pace, working, by_time, by_bars, parts, end_h * working, stock.reloads(parts))


def _smoothed(values: Floats, pick: np.ndarray, seen: Floats, rng: np.random.Generator) -> Floats:
    """Values picked, blurred, and spread as far as the next one may lie: beyond the few that were seen.

    B. W. Silverman and G. A. Young, Biometrika 74 (1987) 469-479 (from memory): a smoothed bootstrap, shrunken to
    keep the variance; that is (n + 1) / (n - 1) times the one of n values for a value to come.
    """
    many = np.maximum(seen, 2.0)[:, None]
    middle, nights = values.mean(1, keepdims=True), seen[:, None]
    error = np.sqrt((nights * values.var(1, keepdims=True) + UNSEEN_PACE**2) / (nights + 1))
    blur = 0.9 * many**-0.2
    off = (np.take_along_axis(values, pick, 1) - middle + blur * error * rng.standard_normal(pick.shape)) / np.hypot(
        1, blur
    )
    drawn = middle + off * np.sqrt((many + 1) / (many - 1))
    return np.maximum(drawn, values.min(1, keepdims=True) / 2)


def play(nights: Nights, rng: np.random.Generator, draws: int) -> Courses:
    """Play each night many times.

    Parameters
    ----------
    nights : Nights
    rng : Generator
        Seeded: the same seed gives the same nights.
    draws : int
        How many times.
    """
    ahead = settings_of(nights, rng, draws)
    shape = ahead.parts.shape
    worked_h = nights.stops.first_event(rng, draws)
    most = ahead.stock.reloads(np.minimum(ahead.by_time, nights.order[:, None])).max()
    failing = nights.failures.first_event(rng, draws, int(most))
    stock, pace = ahead.stock, ahead.pace
    stop_h = worked_h / ahead.working
    by_stop = np.floor(stock.parts_in(stop_h * HOUR_S / pace) + rng.random(shape))
    by_failure = stock.left + (failing - 1) * stock.per_bar
    reached = (worked_h >= ahead.worked_h) & (failing > ahead.reloads)
    ended = np.minimum(by_stop, by_failure)
    failed_h = (by_failure * stock.cycle_s + _never_nan(failing, stock.reload_s)) * pace / HOUR_S
    unlimited = np.minimum(np.minimum(ahead.by_time, nights.order[:, None]), ended)
    return Courses(
        setting=ahead,
        parts=np.minimum(ahead.parts, np.where(reached, np.inf, ended)),
        reached=reached,
        stopped_h=np.where(reached, np.nan, np.minimum(stop_h, failed_h)),
        bars_wanted=stock.reloads(unlimited),
    )


def reach_chances(nights: Nights, ahead: Setting) -> Floats:
    """Chance to reach the planned end, by formula for each drawn pace and stock, then their mean. [0..1]"""
    reloads = ahead.reloads.astype(np.int64)
    none_failed = np.take_along_axis(nights.failures.no_event_up_to(int(reloads.max())), reloads, 1)
    return (nights.stops.of(_EACH).no_event(ahead.worked_h) * none_failed).mean(1)


def chance_range(nights: Nights, ahead: Setting, rng: np.random.Generator, level: float = 0.8) -> tuple[Floats, Floats]:
    """Limits of the chance to reach the planned end, as rates are not known exactly."""
    draws = ahead.parts.shape[1]
    chance = nights.stops.lasting(rng, ahead.worked_h) * (1 - nights.failures.drawn(rng, draws)) ** ahead.reloads
    low, high = np.quantile(chance, [(1 - level) / 2, (1 + level) / 2], axis=1)
    return low, high


def expected_parts(
    stock: Bars, pace: float, working: float, parts: float, stops: Stages, failures: BetaChances
) -> Floats:
    """Parts a run makes on average before it stops or reaches its planned end, by formula.

    Parameters
    ----------
    stock : Bars
        Of one run, scalars.
    pace, working : float
        Clock time over planned time; share of the clock time worked.
    parts : float
        Parts at the planned end.
    stops, failures
        Of several kinds of the run (as it is; if a cause were gone), one entry each.

    Returns
    -------
    ndarray
        One entry a kind: the sum over parts of the chance that the run is still going in the midst of it.
    """
    part = np.arange(1.0, np.floor(parts) + 1)
    if not part.size:
        return np.zeros(np.shape(stops.later.shape))
    worked_h = (stock.time_s(part) - stock.cycle_s / 2) * pace * working / HOUR_S
    reloads = stock.reloads(part)
    going = stops.of(_EACH).no_event(worked_h)
    distinct, which = np.unique(reloads, return_inverse=True)
    return (going * failures.of(_EACH).no_event(distinct)[..., which]).sum(-1)


def narrowest(values: Floats, level: float = 0.8) -> tuple[Floats, Floats]:
    """The narrowest range of each row that holds a share of its values; of equally narrow ones the lowest.

    Where most nights end alike and some end early, it holds those that end alike: limits at the same chance on either
    side would leave a tenth of the nights out at the top, where there is none.
    """
    ordered = np.sort(values, axis=1)
    many = ordered.shape[1]
    inside = int(np.ceil(level * many - 1e-9))
    width = ordered[:, inside - 1 :] - ordered[:, : many - inside + 1]
    at = width.argmin(axis=1)
    rows = np.arange(ordered.shape[0])
    return ordered[rows, at], ordered[rows, at + inside - 1]


def _never_nan(count: Floats, seconds: Floats) -> Floats:
    """So many times so long; nothing takes no time, however often."""
    return np.where(seconds > 0, count, 0.0) * seconds


def brier(chance: Floats, happened: np.ndarray) -> float:
    """Mean squared difference of chances and what happened: 0 is perfect, 0.25 is a coin.

    Notes
    -----
    G. W. Brier, Monthly Weather Review 78 (1950) 1-3; half of his score for two outcomes, as is usual now.

    Examples
    --------
    >>> brier(np.array([0.9, 0.2]), np.array([True, False]))
    0.025
    """
    return float(np.mean((np.asarray(chance, float) - np.asarray(happened, float)) ** 2))


def _column(nights: Nights) -> dict[str, Floats]:
    names = ("hours", "cycle_s", "reload_s", "per_bar", "left", "bars", "order")
    return {name: getattr(nights, name)[:, None] for name in names}

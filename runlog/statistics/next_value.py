"""Whether new values are more than the ones before them would make by chance; many series at once.

low, high = next_range(before)             where the next one lies in 95 of 100 cases
p = surprise(before, new)                  how rarely chance alone strays as far
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

LEAST: Final = 6
"""Values before which nothing is told: five degrees of freedom (common practice)."""


@dataclass(frozen=True)
class Values:
    """What is known of some series, a number a series.

    Attributes
    ----------
    count : ndarray
        How many values, at least two.
    mean, deviation : ndarray
        Of the values; the deviation is that of a sample (n - 1).
    """

    count: np.ndarray
    mean: np.ndarray
    deviation: np.ndarray

    @property
    def scale(self) -> np.ndarray:
        """Deviation of one more value from the mean of those before."""
        return self.deviation * np.sqrt(1 + 1 / self.count)


def next_range(before: Values, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Prediction interval for one more value of each normal series without trend.

    Parameters
    ----------
    before : Values
    level : float
        How often it holds.

    Notes
    -----
    mean +- t(1 - alpha/2, n - 1) s sqrt(1 + 1/n); G. J. Hahn and W. Q. Meeker, Statistical Intervals (1991),
    section 4.7 (from memory).
    """
    reach = special.stdtrit(before.count - 1, 0.5 + level / 2) * before.scale
    return before.mean - reach, before.mean + reach


def surprise(before: Values, new: np.ndarray) -> np.ndarray:
    """Two-sided p of new values by the same t; 1 where one is what all before it were, 0 where they were all alike."""
    off, alike = np.abs(new - before.mean), before.scale == 0
    p = 2 * special.stdtr(before.count - 1, -off / np.where(alike, 1.0, before.scale))
    return np.where(alike, np.where(off == 0, 1.0, 0.0), p)

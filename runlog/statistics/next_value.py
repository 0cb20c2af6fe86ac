"""Whether a new value is more than the ones before it would make by chance.

low, high = next_range(values)             where the next one lies in 95 of 100 cases
p = surprise(values, new)                  how rarely chance alone strays as far
"""

from collections.abc import Sequence

import numpy as np
from scipy import special

LEAST: int = 6
"""Values before which nothing is told: five degrees of freedom (common practice)."""


def next_range(values: Sequence[float], level: float = 0.95) -> tuple[float, float]:
    """Prediction interval for one more value of a normal series without trend.

    Parameters
    ----------
    values : sequence of float
        The values before, at least two.
    level : float
        How often it holds.

    Notes
    -----
    mean +- t(1 - alpha/2, n - 1) s sqrt(1 + 1/n); G. J. Hahn and W. Q. Meeker, Statistical Intervals (1991),
    section 4.7 (from memory).
    """
    mean, half = _scale(values)
    reach = float(special.stdtrit(len(values) - 1, 0.5 + level / 2)) * half
    return mean - reach, mean + reach


def surprise(values: Sequence[float], new: float) -> float:
    """Two-sided p of a new value by the same t; 1 where it is what all before it were, 0 where they were all alike."""
    mean, scale = _scale(values)
    if scale == 0:
        return 1.0 if new == mean else 0.0
    return float(2 * special.stdtr(len(values) - 1, -abs(new - mean) / scale))


def _scale(values: Sequence[float]) -> tuple[float, float]:
    x = np.asarray(values, float)
    return float(x.mean()), float(x.std(ddof=1) * np.sqrt(1 + 1 / x.size))

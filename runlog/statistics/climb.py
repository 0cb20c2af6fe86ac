"""The top of a smooth hill of a few dimensions: Newton's method with its steps kept uphill and within bounds.

Enough for the two parameters of a prior, and it starts at once, where an optimiser for everything takes longer to load
than the work takes.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_NEAR = 1e-5
_MOST_STEPS, _LONGEST = 60, 3.0


def climb(
    of: Callable[[Floats], tuple[float, Floats]], start: Floats, low: Floats, high: Floats
) -> tuple[Floats, float]:
    """Climb from a start to a local maximum.

    Parameters
    ----------
    of : callable
        Height and slope at a point.
    start, low, high : ndarray
        Where to begin, and the bounds of each coordinate.

    Returns
    -------
    tuple of ndarray and float
        The point and its height.
    """
    at = np.clip(start, low, high)
    height, slope = of(at)
    for _ in range(_MOST_STEPS):
        sides = [(of(at + side)[1] - of(at - side)[1]) / (2 * _NEAR) for side in _NEAR * np.eye(at.size)]
        bend = (np.array(sides) + np.array(sides).T) / 2
        steepest = float(np.linalg.eigvalsh(bend)[-1])
        # Where the hill bends upwards, it is bent down by force, so that the step goes up.
        step = np.linalg.solve((max(0.0, steepest) * 1.5 + 1e-9) * np.eye(at.size) - bend, slope)
        step *= min(1.0, _LONGEST / max(float(np.abs(step).max()), 1e-300))
        tried = [np.clip(at + step / 2**halved, low, high) for halved in range(20)]
        better = next(((point, *found) for point in tried if (found := of(point))[0] > height), None)
        if better is None:
            break
        gain = better[1] - height
        at, height, slope = better
        if gain < 1e-10 * (1 + abs(height)):
            break
    return at, height

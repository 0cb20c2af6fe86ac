"""Many names in a sentence: the first ones, and how many more."""

from collections.abc import Sequence


def first_of(names: Sequence[object], most: int) -> str:
    """The names, comma separated; where they are more than one more than `most`, the first ones and a count."""
    left = len(names) - most
    shown = names if left <= 1 else names[:most]
    return ", ".join(map(str, shown)) + (f" and {left} more" if left > 1 else "")

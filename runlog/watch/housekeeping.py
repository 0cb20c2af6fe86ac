"""What a watcher does while it rests: tidy the store, a little at a time, until there is news."""

import math
import time
from collections.abc import Callable, Iterator
from typing import Final

from runlog.errors import RunlogError
from runlog.store import Store, Tidied

EVERY_S: Final = 600.0
"""The store is tidied so often. [s]"""
AFTER_STEPS: Final = 32
"""And after so many steps that read something, as each leaves files behind."""


class Housekeeping:
    """Tidies a store in the pauses of its watcher.

    Parameters
    ----------
    store : Store
        The store.
    tell : callable
        Told when it fails, once for each reason.
    """

    def __init__(self, store: Store, tell: Callable[[str], None]) -> None:
        self._store = store
        self._tell = tell
        self._slices: Iterator[Tidied] | None = None
        self._ended = -math.inf
        self._version = ""
        self._steps = 0
        self._fails = ""

    def some(self, is_wanted_elsewhere: Callable[[], bool]) -> None:
        """Do what is due until there is something better to do, but never nothing of it: a busy store needs it most.

        What is left is done the next time.
        """
        if self._slices is None and not self._is_due():
            return
        try:
            self._slices = self._slices or self._store.tidy()
            while next(self._slices, None) is not None:
                if is_wanted_elsewhere():
                    return
            self._fails = ""
        except Exception as error:
            reason = str(error) if isinstance(error, RunlogError) else f"{type(error).__name__}: {error}"
            if reason != self._fails:
                self._fails = reason
                self._tell(f"not tidied: {reason} (tried again)")
        self._slices, self._steps, self._ended = None, 0, time.monotonic()

    def _is_due(self) -> bool:
        if not self._store.exists():
            return False
        version = self._store.version()
        self._steps, self._version = self._steps + (version != self._version), version
        return time.monotonic() - self._ended >= EVERY_S or self._steps >= AFTER_STEPS

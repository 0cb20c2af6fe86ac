"""The wish to stop: asked for by a signal at any instant, granted between two steps."""

import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any, Final

_SLICE_S: Final = 0.25
"""On Windows a wait without end hears no Ctrl+C. [s]"""
_CLOSING_S: Final = 4.5
"""What Windows gives a console program that is being closed, less a little. [s]"""


class Stop:
    """Whether the watcher shall stop, and what wakes it from waiting."""

    def __init__(self) -> None:
        self.asked = False
        self._woken = threading.Event()
        self._ended = threading.Event()

    def ask(self) -> None:
        """Ask for the end."""
        self.asked = True
        self._woken.set()

    def wake(self) -> None:
        """End the present wait."""
        self._woken.set()

    def wait(self, seconds: float) -> bool:
        """Wait so long, or until asked or woken; whether it was. [s]

        Once the end was asked for, nothing is waited for any more.
        """
        until = time.monotonic() + seconds
        woken = self.asked or self._woken.is_set()
        while not woken and (left := until - time.monotonic()) > 0:
            woken = self._woken.wait(min(left, _SLICE_S))
        self._woken.clear()
        return woken

    @contextmanager
    def on_signals(self) -> Iterator["Stop"]:
        """Take SIGTERM, Ctrl+C and, on Windows, Ctrl+Break and the closing of the console for the wish to stop."""

        def asked(_signal: int, _frame: FrameType | None) -> None:
            self.ask()

        names = ("SIGTERM", "SIGINT", "SIGBREAK")
        before = {name: signal.signal(getattr(signal, name), asked) for name in names if hasattr(signal, name)}
        closing = _on_console_close(self)
        try:
            yield self
        finally:
            self._ended.set()
            for name, handler in before.items():
                signal.signal(getattr(signal, name), handler)
            del closing

    def await_end(self) -> None:
        """Wait a few seconds for the watcher to have ended."""
        self._ended.wait(_CLOSING_S)


def _on_console_close(stop: Stop) -> Any:
    """On Windows: hold back the end of the process, which comes as soon as the closing was heard."""
    if sys.platform != "win32":
        return None
    import ctypes

    @ctypes.WINFUNCTYPE(ctypes.c_int, ctypes.c_uint)  # type: ignore[attr-defined]
    def heard(event: int) -> int:
        if event < 2:  # Ctrl+C and Ctrl+Break are signals
            return 0
        stop.ask()
        stop.await_end()
        return 1

    ctypes.windll.kernel32.SetConsoleCtrlHandler(heard, 1)  # type: ignore[attr-defined]
    return heard

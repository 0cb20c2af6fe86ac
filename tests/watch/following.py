"""A watcher in a thread of the test: started, told of, asked to stop."""

import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest
from watch.shop import TEXT

from runlog.store import Store, heartbeat
from runlog.store.heartbeat import Heartbeat
from runlog.watch import Outcome, Stop, watch

PATIENCE_S = 60.0


def shop(folder: Path, text: str = TEXT) -> Path:
    """Make a working folder with a site file and an empty folder of logs; the latter."""
    (folder / "logs").mkdir()
    (folder / "site.toml").write_text(text)
    return folder / "logs"


def until(seen: Callable[[], Any], what: str) -> None:
    """Wait until something is the case; the test fails if it never is."""
    end = time.monotonic() + PATIENCE_S
    while not seen():
        if time.monotonic() > end:
            pytest.fail(f"{what} expected within {PATIENCE_S:.0f} s")
        time.sleep(0.02)


class Following:
    """A watcher of `logs` in a working folder, from its start to its end in peace."""

    def __init__(self, folder: Path, **options: bool) -> None:
        self.store = Store(folder / "store")
        self.stop = Stop()
        self.told: list[str] = []
        self.outcome: Outcome | None = None
        self.error: Exception | None = None
        self._folder, self._options = folder, options
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> "Following":
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end()

    def end(self) -> None:
        """Ask it to stop, and wait until it has."""
        self.stop.ask()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()
        if self.error:
            raise self.error

    def until_told(self, *words: str, times: int = 1) -> None:
        """Wait until it told a line with all of these words, so many times."""
        until(lambda: self.times_told(*words) >= times, f"{' ... '.join(words)}, {times} times, in {self.told}")

    def times_told(self, *words: str) -> int:
        """How many lines have all of these words."""
        return sum(all(word in line for word in words) for line in self.told)

    def until_events(self, count: int) -> None:
        """Wait until the store holds so many distinct events."""
        until(lambda: self.store.exists() and self.store.events().collect().height >= count, f"{count} events")

    def until_settled(self) -> None:
        """Wait until all that was noticed is read, and facts are of it."""
        until(lambda: self.beat().doing == heartbeat.WAITING and self.store.facts_are_current(), "rest")

    def beat(self) -> Heartbeat:
        """What it says of itself."""
        until(lambda: heartbeat.read(self.store.folder), "a heartbeat")
        beat = heartbeat.read(self.store.folder)
        assert beat
        return beat

    def _run(self) -> None:
        try:
            self.outcome = watch(
                [self._folder / "logs"],
                self._folder / "site.toml",
                self.store,
                stop=self.stop,
                tell=self.told.append,
                **self._options,
            )
        except Exception as error:  # for the test to raise
            self.error = error

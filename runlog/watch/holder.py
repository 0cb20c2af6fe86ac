"""One watcher a store: it holds a lock, and tells who it is."""

import os
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Final

from runlog.errors import RunlogError, StoreError
from runlog.store import heartbeat
from runlog.store.heartbeat import Heartbeat
from runlog.store.lock import Hold
from runlog.watch.stopping import Stop

_ASK_AGAIN_S: Final = 1.0


class WatchedError(RunlogError):
    """Another watcher holds the store."""


class Holder:
    """Holds the store for one watcher and renews its heartbeat, by a thread of its own.

    Parameters
    ----------
    store : Path
        Folder of the store; made if it is not there.
    folders : list of Path
        What is watched.
    once : bool
        Whether it means to end by itself.
    """

    def __init__(self, store: Path, folders: list[Path], *, once: bool = False) -> None:
        self._store = store
        self._hold = Hold(store / "watcher.lock")
        now = datetime.now(UTC)
        named = [str(folder.absolute()) for folder in folders]
        self._beat = Heartbeat(os.getpid(), socket.gethostname(), now, now, once, False, "starting", now, named)
        self._ended = threading.Event()
        self._guard = threading.Lock()
        self._thread = threading.Thread(target=self._renew, name="heartbeat", daemon=True)

    def take(self, stop: Stop, *, wait: bool, tell: Callable[[str], None]) -> None:
        """Have the store, or wait for it.

        Raises
        ------
        WatchedError
            Another watcher has it, and `wait` is false.
        StoreError
            The folder cannot be made or written.
        """
        told = False
        while not self._try():
            if not wait:
                raise WatchedError(f"{self._who()}; stop that one first, or use --wait to take over when it ends")
            if not told:
                tell(f"{self._who()}; waiting for it to end")
                told = True
            stop.wait(_ASK_AGAIN_S)
            if stop.asked:
                return
        self._write()
        self._thread.start()

    def check(self) -> None:
        """Make sure that the store is still there and still ours; StoreError if not."""
        if self._hold.is_held():
            return
        if not (self._store / "store.json").exists():
            # Never make a new one there: the drive may come back, and the store with it.
            raise StoreError(f"{self._store}: the store is gone; is its drive connected? Tried again until it is back")
        if not self._try():
            raise StoreError(f"{self._who()} meanwhile")

    def doing(self, what: str, failing: str, troubles: Mapping[str, str]) -> None:
        """Tell what the watcher is at: at once where that is news, else with the next heartbeat."""
        with self._guard:
            since = self._beat.doing_since if what == self._beat.doing else datetime.now(UTC)
            now = replace(self._beat, doing=what, doing_since=since, failing=failing, troubles=dict(troubles))
            is_news, self._beat = now != self._beat, now
        if is_news and self._hold.is_held():
            self._write()

    def __enter__(self) -> "Holder":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        if self._thread.ident is not None:
            self._thread.join()
            with self._guard:
                self._beat = replace(self._beat, stopped=True)
            self._write()
        self._hold.drop()

    def _try(self) -> bool:
        try:
            self._store.mkdir(parents=True, exist_ok=True)
            return self._hold.take()
        except OSError as error:
            raise StoreError(
                f"{self._store}: cannot be written ({error.strerror}); a store you may write to expected"
            ) from None

    def _who(self) -> str:
        beat = heartbeat.read(self._store)
        if beat is None:
            return f"{self._store}: another watcher holds it"
        return f"{self._store}: held by process {beat.pid} on {beat.host} since {beat.since:%Y-%m-%d %H:%M:%S} UTC"

    def _renew(self) -> None:
        while not self._ended.wait(heartbeat.EVERY_S):
            if self._hold.is_held():
                self._write()

    def _write(self) -> None:
        with self._guard:
            self._beat = replace(self._beat, at=datetime.now(UTC))
            heartbeat.write(self._store, self._beat)

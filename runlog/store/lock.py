"""One writer at a time: a lock the operating system drops when its holder dies, however it dies."""

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from runlog.errors import StoreError

if sys.platform == "win32":
    import msvcrt

    def _take(handle: IO[bytes]) -> None:
        msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(handle: IO[bytes]) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


@contextmanager
def writing(folder: Path, wait_s: float) -> Iterator[None]:
    """Hold the right to write in a store.

    Parameters
    ----------
    folder : Path
        Folder of the store; made if it is not there.
    wait_s : float
        How long to wait for another writer. [s]

    Raises
    ------
    StoreError
        Nothing may be written there, or another writer is still at work after that time.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = (folder / "lock").open("ab")
    except OSError as error:
        raise StoreError(f"{folder}: cannot be written ({error.strerror}); a store you may write to expected") from None
    with handle:
        _wait(handle, folder, time.monotonic() + wait_s)
        yield


class Hold:
    """A lock on a file, kept until `drop` or the end of the process.

    Parameters
    ----------
    path : Path
        The file; made if it is not there.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: IO[bytes] | None = None

    def take(self) -> bool:
        """Try to have it; False if another process has. OSError where no file can be made."""
        handle = self._path.open("ab")
        try:
            _take(handle)
        except OSError:
            handle.close()
            return False
        self.drop()
        self._handle = handle
        return True

    def is_held(self) -> bool:
        """Whether it is held, and the file is still the one in place: a folder can go and another come."""
        try:
            there = self._path.stat()
        except OSError:
            return False
        if self._handle is None:
            return False
        held = os.fstat(self._handle.fileno())
        return (held.st_dev, held.st_ino) == (there.st_dev, there.st_ino)

    def drop(self) -> None:
        """Let go of it."""
        if self._handle is not None:
            self._handle.close()
            self._handle = None


def _wait(handle: IO[bytes], folder: Path, until: float) -> None:
    while True:
        try:
            return _take(handle)
        except OSError:
            if time.monotonic() >= until:
                raise StoreError(f"{folder}: another runlog is writing to it; try again when it has ended") from None
            time.sleep(0.1)

"""What wakes the watcher: the system's own notices of changes, where there are any."""

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from threading import Lock
from typing import Final

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers import Observer
from watchdog.observers.api import ObservedWatch

from runlog.watch.mounts import is_remote

_CHANGES: Final = frozenset({"created", "modified", "moved", "deleted", "closed"})
"""Kinds of notices that count; that a file was opened or read is none of them: we do that ourselves."""


class Notices(FileSystemEventHandler):
    """Notices for some folders; those without any have to be looked at from time to time.

    Parameters
    ----------
    folders : list of Path
        To the bottom.
    store : Path
        Folder whose changes are our own.
    wake : callable
        Called at each change, by another thread.
    tell : callable
        Told when a folder has to be looked at instead.
    poll : bool
        Do without notices.
    """

    def __init__(
        self, folders: list[Path], store: Path, wake: Callable[[], None], tell: Callable[[str], None], *, poll: bool
    ) -> None:
        self._folders = folders
        self._store = store.resolve()
        self._wake = wake
        self._tell = tell
        self._watched: dict[Path, tuple[tuple[int, int], ObservedWatch]] = {}
        self._polled: set[Path] = set(folders) if poll else {folder for folder in folders if is_remote(folder)}
        self._observer = Observer()
        self._guard = Lock()
        self._noticed: set[Path] = set()
        for folder in sorted(self._polled) if not poll else []:
            tell(f"{folder}: on a network drive, so looked at every few seconds")
        if self._polled != set(folders):
            self._start()
        self.renew()

    @property
    def all_come(self) -> bool:
        """Whether every folder gives notices."""
        return not self._polled

    @property
    def are_waiting(self) -> bool:
        """Whether something was noticed since the last call of `noticed`."""
        return bool(self._noticed)

    def noticed(self) -> set[Path]:
        """Paths noticed since the last call."""
        with self._guard:
            noticed, self._noticed = self._noticed, set()
        return noticed

    def renew(self) -> None:
        """Ask for notices anew where a folder went and came back."""
        for folder in self._folders:
            if folder in self._polled:
                continue
            now = _identity(folder)
            held = self._watched.get(folder)
            if held and held[0] == now:
                continue
            if held:
                with suppress(Exception):
                    self._observer.unschedule(held[1])
                del self._watched[folder]
            if now:
                self._ask(folder, now)

    def end(self) -> None:
        """No more notices."""
        if self._observer.is_alive():
            self._observer.stop()
            self._observer.join(5)

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Called by watchdog."""
        if event.event_type not in _CHANGES:
            return
        paths = [Path(str(place)) for place in (event.src_path, event.dest_path) if place]
        if all(self._store in (path, *path.parents) for path in (path.absolute() for path in paths)):
            return
        with self._guard:
            self._noticed.update(paths)
        self._wake()

    def _start(self) -> None:
        try:
            self._observer.start()
        except OSError as error:
            self._poll_all(error)

    def _ask(self, folder: Path, identity: tuple[int, int]) -> None:
        try:
            self._watched[folder] = identity, self._observer.schedule(self, str(folder), recursive=True)
        except OSError as error:
            if _identity(folder):
                self._tell(f"{folder}: no notices of changes ({error}), so looked at every few seconds")
                self._polled.add(folder)

    def _poll_all(self, error: OSError) -> None:
        self._tell(f"no notices of changes ({error}), so looked every few seconds")
        self._polled = set(self._folders)


def _identity(folder: Path) -> tuple[int, int] | None:
    try:
        found = folder.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino

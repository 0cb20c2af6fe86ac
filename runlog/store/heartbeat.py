"""What a watcher says of itself: a small file in the store that it renews while it lives."""

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final, Literal

EVERY_S: Final = 5.0
"""How often a watcher renews its file, also while it does nothing else. [s]"""
DEAD_AFTER: Final = timedelta(seconds=30)
"""A watcher that has not renewed its file for so long lives no more."""

WAITING: Final = "waiting for news"
"""What a watcher is at that has done all there is to do."""
DERIVING: Final = "keeping what was read, and deriving facts"
"""What a watcher is at that has read the last file of a step."""

_FILE: Final = "watcher.json"

Life = Literal["running", "stopped", "dead"]


@dataclass(frozen=True)
class Heartbeat:
    """A watcher at one instant.

    Attributes
    ----------
    pid, host : int, str
        Its process and computer.
    since : datetime
        When it began.
    at : datetime
        When this was written.
    once : bool
        Whether it means to end after one look.
    stopped : bool
        Whether it has ended in peace.
    doing : str
        What it is at, in words.
    doing_since : datetime
        Since when.
    folders : list of str
        What it watches.
    failing : str
        Why nothing could be read or written at the last attempt; empty if something could.
    troubles : dict of str to str
        Files that could not be read so far and are tried again: the path, and why.
    """

    pid: int
    host: str
    since: datetime
    at: datetime
    once: bool
    stopped: bool
    doing: str
    doing_since: datetime
    folders: list[str]
    failing: str = ""
    troubles: Mapping[str, str] = field(default_factory=dict)

    def life(self, now: datetime) -> Life:
        """Whether it lives: "dead" is one that neither renews its file nor said that it stopped."""
        if self.stopped:
            return "stopped"
        # The clock of the computer it runs on may be ahead of ours, but not behind for long.
        return "dead" if now - self.at > DEAD_AFTER else "running"


def write(store: Path, beat: Heartbeat) -> None:
    """Put it in place of the last one; where that fails, the last one stays and grows old."""
    text = json.dumps({name: _plain(value) for name, value in asdict(beat).items()}, indent=2)
    part = store / f"{_FILE}.part"
    # Nothing is flushed: after a power cut there is no watcher. A reader may have the file open, on Windows.
    with suppress(OSError):
        part.write_text(text, encoding="utf-8")
        part.replace(store / _FILE)


def read(store: Path) -> Heartbeat | None:
    """The last one of the watcher of a store; None if there never was one, or it cannot be read."""
    try:
        found = json.loads((store / _FILE).read_text(encoding="utf-8"))
        for name in ("since", "at", "doing_since"):
            found[name] = datetime.fromisoformat(found[name]).astimezone(UTC)
        return Heartbeat(**found)
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime) else value

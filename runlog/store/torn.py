"""Whether the newest commits of a table are whole, as after a power cut they may not be; and how to undo them.

A commit is torn if its entry in the log is empty or cut off, or if a file it added, and that is still in use, is
missing, of another size, or without its last bytes. Undoing takes the entries away, newest first, so that the table
is as it was before them whenever that is interrupted.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote

from runlog.errors import StoreError
from runlog.store import delta
from runlog.store.folder import INTAKE

_NEWEST: Final = 20
"""So many commits of a table are looked at; each is flushed, so only the last should ever be torn."""


@dataclass(frozen=True)
class Commit:
    """What an entry of the log says.

    Attributes
    ----------
    version : int
        Its number.
    entry : Path
        The file.
    readable : bool
        Whether the entry is whole.
    added : dict of str to int
        Files it added, and their sizes. [bytes]
    removed : frozenset of str
        Files it removed.
    load : int or None
        The load it belongs to, if it says so.
    """

    version: int
    entry: Path
    readable: bool
    added: dict[str, int]
    removed: frozenset[str]
    load: int | None


def commits(path: Path, newest: int) -> list[Commit]:
    """The newest commits of a table, oldest first."""
    return [_read(version, entry) for version, entry in list(delta.entries(path).items())[-newest:]]


def _read(version: int, entry: Path) -> Commit:
    actions: list[dict[str, Any]] = []
    try:
        actions += delta.actions(entry)
        info = next(action["commitInfo"] for action in actions if "commitInfo" in action)
        added = {action["add"]["path"]: action["add"]["size"] for action in actions if "add" in action}
        removed = frozenset(action["remove"]["path"] for action in actions if "remove" in action)
        marks = [action["txn"]["version"] for action in actions if action.get("txn", {}).get("appId") == delta.LOAD]
    except (ValueError, TypeError, KeyError, AttributeError, StopIteration):
        return Commit(version, entry, False, {}, frozenset(), None)
    # The mark is the last line of an entry: one cut off between two lines lacks it.
    metrics = info.get("operationMetrics", {})
    needs_mark = entry.parent.parent.name in INTAKE and info.get("operation") == "WRITE" and bool(metrics)
    is_whole = len(added) >= int(metrics.get("num_added_files", 0)) and bool(marks or not needs_mark)
    return Commit(version, entry, is_whole, added, removed, max(marks, default=None))


def torn(path: Path) -> list[Commit]:
    """Commits that cannot stay, oldest first: the torn one and what came after it; none where all is well.

    Raises
    ------
    StoreError
        There is damage that undoing commits cannot mend.
    """
    found = _back_to(path, lambda found: bool(_last_good(path, found)))
    return _undoable(path, found[_last_good(path, found) :])


def since(path: Path, is_lost: Callable[[Commit], bool]) -> list[Commit]:
    """Commits of a load that has to go, and all that came after the first of them; oldest first.

    Raises
    ------
    StoreError
        They cannot be undone.
    """
    found = _back_to(path, lambda found: any(commit.load is not None and not is_lost(commit) for commit in found))
    lost = [place for place, commit in enumerate(found) if is_lost(commit)]
    return _undoable(path, found[lost[0] :] if lost else [])


def _back_to(path: Path, is_enough: Callable[[list[Commit]], bool]) -> list[Commit]:
    reach, log = _NEWEST, len(delta.entries(path))
    while not is_enough(found := commits(path, reach)) and reach < log:
        reach *= 4
    return found


def _undoable(path: Path, bad: list[Commit]) -> list[Commit]:
    """These commits; StoreError if the table cannot be made what it was before them."""
    added = {file for commit in bad for file in commit.added}
    needed = {file for commit in bad for file in commit.removed} - added
    is_all = bad and bad[0].version > 0 and bad[0].version == min(delta.entries(path))
    if is_all or not all(_at(path, file).is_file() for file in needed):
        raise StoreError(
            f"{path}: damaged, and what was there before is gone; move {path.parent} away and read the logs into a "
            "new store"
        )
    return bad


def _last_good(path: Path, found: list[Commit]) -> int:
    """How many of these commits, from the oldest, make a whole table."""
    good, in_use_but_bad = 0, set[str]()
    for count, commit in enumerate(found, 1):
        follows = count == 1 or commit.version == found[count - 2].version + 1
        if not commit.readable or not follows:
            break
        # A file that was replaced later may be gone by right, so only those still in use count.
        in_use_but_bad |= {file for file, size in commit.added.items() if not delta.is_parquet(_at(path, file), size)}
        in_use_but_bad -= commit.removed
        good = good if in_use_but_bad else count
    return good


def undo(path: Path, bad: list[Commit]) -> None:
    """Make the table what it was before these commits; no table if they were all."""
    if not bad:
        return
    versions = {commit.version for commit in bad}
    (path / "_delta_log" / delta.HINT).unlink(missing_ok=True)
    for version, file in delta.entries(path, delta.CHECKPOINT).items():
        if version >= min(versions):
            file.unlink()
    for commit in sorted(bad, key=lambda commit: commit.version, reverse=True):
        commit.entry.unlink(missing_ok=True)
    delta.flush(path / "_delta_log")


def drop_torn_checkpoints(path: Path) -> None:
    """Remove what sums up the log but is not whole: the log itself says the same."""
    hint = path / "_delta_log" / delta.HINT
    checkpoints = delta.entries(path, delta.CHECKPOINT)
    bad = [version for version, file in checkpoints.items() if not delta.is_parquet(file)]
    if hint.exists() and _hinted(hint) not in checkpoints.keys() - set(bad):
        hint.unlink()
    for version in bad:
        checkpoints[version].unlink()


def _hinted(hint: Path) -> int | None:
    try:
        return int(json.loads(hint.read_text(encoding="utf-8"))["version"])
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _at(path: Path, file: str) -> Path:
    return path / unquote(file)

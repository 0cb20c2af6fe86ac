"""One table on disk: open it, commit to it, make the commit outlive a power cut.

Nothing here knows what the tables mean. A table is opened afresh for each use: a handle held for long
grows slow with the number of commits, a fresh one does not.
"""

import json
import os
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from datetime import timedelta
from pathlib import Path
from typing import Any, Final, Literal
from urllib.parse import unquote

import polars as pl
from deltalake import CommitProperties, DeltaTable, Transaction, WriterProperties, write_deltalake
from deltalake.exceptions import CommitFailedError, DeltaError, TableNotFoundError

from runlog.errors import StoreError

LOAD: Final = "load"
"""Name of the mark that numbers the loads of a store; each commit of a load carries it."""

KEPT: Final = timedelta(hours=2)
"""What was replaced is kept so long for those who read it still, and to go back to after a power cut."""

_CONFIGURATION: Final = {
    "delta.checkpointInterval": "10",
    "delta.deletedFileRetentionDuration": f"interval {KEPT // timedelta(hours=1)} hours",
    # Old entries of the log are removed by `Store.tidy`: it knows which versions are still asked for.
    "delta.enableExpiredLogCleanup": "false",
}
CHECKPOINT: Final = ".checkpoint.parquet"
HINT: Final = "_last_checkpoint"
"""Beside the commits in a table's log: what they add up to, and which of these files is the newest."""
_ROOM: Final = 256 * 1024
"""Nothing is written with less room on the disk. [bytes]"""
_COMPRESSES: Final = 8
"""Frames are at least so many times larger in memory than in a file."""
_FULL: Final = "the disk is full; make room, then try again"
_NO_ROOM: Final = ("No space left", "not enough space", "Disk quota exceeded")
_MAGIC: Final = b"PAR1"
_COMPRESSION: Final = WriterProperties(compression="ZSTD")


def exists(path: Path) -> bool:
    """Whether a table is there, with at least one commit."""
    return latest_version(path) is not None


def latest_version(path: Path) -> int | None:
    """Number of the newest commit, None without any; a look at file names, nothing is opened."""
    return max(_versions(path, ".json"), default=None)


def entries(path: Path, ending: str = ".json") -> dict[int, Path]:
    """Files of a table's log by version, ascending: its commits, or its checkpoints; none where no table is."""
    log = path / "_delta_log"
    return {version: log / f"{version:020d}{ending}" for version in sorted(_versions(path, ending))}


def _versions(path: Path, ending: str) -> list[int]:
    try:
        names = os.listdir(path / "_delta_log")  # noqa: PTH208 - thousands of names, asked for at every step
    except (FileNotFoundError, NotADirectoryError):
        return []
    return [int(name[:20]) for name in names if name[20:] == ending and name[:20].isdigit()]


class _Table(DeltaTable):
    """A table whose files polars finds also in a folder with a blank, an umlaut or a `%` in its name.

    deltalake gives local paths with the folder's name percent-encoded, polars takes them as they stand. Below the
    folder the encoding is right: the folders of partitions are named so.
    """

    def file_uris(self, *args: Any, **options: Any) -> list[str]:
        """Full paths of the table's files."""
        encoded = self.table_uri.removeprefix("file://").rstrip("/")
        if encoded[2:3] == ":":  # "/C:/store", but the files are "C:/store/..."
            encoded = encoded[1:]
        return [
            unquote(encoded) + file.removeprefix(encoded) if file.startswith(encoded) else file
            for file in super().file_uris(*args, **options)
        ]


def opened(path: Path, version: int | None = None) -> DeltaTable:
    """Open a table at its newest version, or at the one asked for."""
    with told(path):
        return _Table(path, version=version)


def load_of(table: DeltaTable) -> int:
    """Number of the last load this snapshot holds; 0 before the first."""
    return table.transaction_version(LOAD) or 0


def commit(
    path: Path,
    frame: pl.DataFrame,
    *,
    load: int | None = None,
    partition_by: list[str] | None = None,
    mode: Literal["append", "overwrite"] = "append",
    predicate: str | None = None,
    on: DeltaTable | None = None,
) -> int:
    """Write a frame in one commit and wait until the disk has it.

    Parameters
    ----------
    path : Path
        Folder of the table; made by its first commit.
    frame : pl.DataFrame
        What to write; it may be empty, the commit is made all the same.
    load : int, optional
        Load this commit belongs to.
    partition_by : list of str, optional
        Columns that split the table into folders; counts on the first commit only.
    mode : {"append", "overwrite"}
        Whether the rows in place stay.
    predicate : str, optional
        With "overwrite": only rows that satisfy it give way, and every row of `frame` must satisfy it.
    on : DeltaTable, optional
        Snapshot to write on: the commit fails if another one came in between.

    Returns
    -------
    int
        Version of the table after the commit.
    """
    marks = [Transaction(LOAD, load)] if load is not None else None
    is_new = not exists(path)
    _check_room(path, frame)
    properties = CommitProperties(app_transactions=marks, max_commit_retries=0 if on else None)
    target = on if on is not None else str(path)
    with told(path):
        if is_new:
            write_deltalake(
                target,
                frame,
                partition_by=partition_by,
                configuration=_CONFIGURATION,
                writer_properties=_COMPRESSION,
                commit_properties=properties,
            )
        elif mode == "append":
            write_deltalake(
                target,
                frame,
                mode="append",
                schema_mode="merge",
                writer_properties=_COMPRESSION,
                commit_properties=properties,
            )
        else:
            write_deltalake(
                target,
                frame,
                mode="overwrite",
                predicate=predicate,
                schema_mode="merge" if predicate else "overwrite",
                writer_properties=_COMPRESSION,
                commit_properties=properties,
            )
    return settle(path)


def delete(path: Path, predicate: str) -> None:
    """Remove the rows that satisfy a predicate."""
    table = opened(path)
    with told(path):
        table.delete(predicate)
    settle(path)


def put_back(path: Path, version: int) -> None:
    """Make a table again what it was at a version, by a commit."""
    with told(path):
        opened(path).restore(version)
    settle(path)


def put_together(path: Path) -> int:
    """Let a table's small files become few, by a commit; its version."""
    with told(path):
        opened(path).optimize.compact()
    return settle(path)


def one_of(column: str, values: Iterable[str]) -> str:
    """Predicate: the column holds one of these texts."""
    return f"{column} in ({', '.join(map(quoted, sorted(values)))})"


def quoted(value: str) -> str:
    """A text within a predicate."""
    return "'" + value.replace("'", "''") + "'"


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Turn what the library raises into an error that says what to do."""
    try:
        yield
    except TableNotFoundError:
        raise StoreError(f"{path}: no table found, one written by runlog expected") from None
    except CommitFailedError:
        raise StoreError(f"{path}: another program wrote to it at the same time; try again") from None
    except (DeltaError, pl.exceptions.PolarsError, OSError) as error:
        if any(words in str(error) for words in _NO_ROOM):
            raise StoreError(f"{path}: {_FULL}") from error
        raise StoreError(f"{path}: cannot be read or written: {error}") from error


def _check_room(path: Path, frame: pl.DataFrame) -> None:
    """StoreError where the disk is as good as full: the library fails noisily when it is so halfway through a file."""
    there = next(folder for folder in (path, *path.parents) if folder.exists())
    try:
        free = shutil.disk_usage(there).free
    except OSError:
        return
    if free < max(_ROOM, frame.estimated_size() // _COMPRESSES):
        raise StoreError(f"{path}: {_FULL}")


def settle(path: Path) -> int:
    """Flush the newest commit's files, then the commit itself; its version.

    The library leaves both to the operating system.
    """
    version = latest_version(path)
    assert version is not None
    log = path / "_delta_log"
    entry = log / f"{version:020d}.json"
    added = [path / unquote(action["add"]["path"]) for action in actions(entry) if "add" in action]
    checkpoint = [log / f"{version:020d}{CHECKPOINT}", log / HINT]
    for file in [*added, *{file.parent for file in added}, entry, *checkpoint, log, path]:
        flush(file)
    return version


def actions(entry: Path) -> Iterator[dict[str, dict[str, Any]]]:
    """What a commit does, one action after the other; ValueError where its file is torn."""
    with entry.open(encoding="utf-8") as lines:
        yield from map(json.loads, lines)


def is_parquet(file: Path, size: int | None = None) -> bool:
    """Whether a file is there from its first bytes to its last, and of a size if one is given."""
    try:
        with file.open("rb") as handle:
            begin = handle.read(4)
            found = handle.seek(0, os.SEEK_END)
            handle.seek(max(0, found - 4))
            return (begin, handle.read(4)) == (_MAGIC, _MAGIC) and found >= 12 and size in (None, found)
    except OSError:
        return False


def flush(path: Path) -> None:
    """Wait until the disk has a file, or a folder's names."""
    # Folders cannot be flushed everywhere (not on Windows), nor files on some network shares.
    with suppress(OSError):
        handle = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

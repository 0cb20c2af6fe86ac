"""Many small files of a table become few: read and sorted aside, put in their place by one short commit.

A load leaves a file for each day it speaks of. Days that are over become one sorted file, or a few of
disjoint machines and hours where they are large; elsewhere small files are put together from time to time,
so that no file is written over and over again. What the table holds stays the same.
"""

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Final
from uuid import uuid4

import polars as pl
from deltalake import CommitProperties, DeltaTable
from deltalake.transaction import AddAction, RemoveAction

from runlog.distinct import ORDER
from runlog.errors import StoreError
from runlog.store import delta

PIECE_ROWS: Final = 500_000
"""Rows sorted at a time, and so in a file at most: what bounds memory."""
SMALL_ROWS: Final = 50_000
"""A file of fewer rows is put together with others of its kind."""
MANY: Final = 16
"""So many small files of an open day, or of a table without days, are put together."""
QUIET: Final = timedelta(hours=1)
"""A day is closed when it is over and nothing was added to it for so long."""

_SORTED_BY: Final = {"events": ("machine", *ORDER), "restated": ("machine", *ORDER)}
_SORTED: Final = "sorted"
_TOGETHER: Final = "together"
_ROW_GROUP: Final = 65_536


@dataclass(frozen=True)
class Heap:
    """Files of a table that are to become fewer.

    Attributes
    ----------
    table : Path
        Folder of the table.
    files : pl.DataFrame
        One row a file: path, size_bytes, day, rows, modified.
    day : date or None
        The day they are of; None in a table without days.
    closes : bool
        Whether they are all of a day that is over.
    """

    table: Path
    files: pl.DataFrame
    day: date | None
    closes: bool

    @property
    def paths(self) -> list[str]:
        return self.files["path"].to_list()

    @property
    def rows(self) -> int:
        return int(self.files["rows"].sum())


def heaps(table: Path, now: datetime) -> list[Heap]:
    """What there is to put together in a table of events or rows beside them, oldest day first."""
    files = _files(delta.opened(table))
    found = []
    for (day,), of_day in files.group_by("day", maintain_order=True):
        of = day if isinstance(day, date) else None
        small = of_day.filter(pl.col("rows") < SMALL_ROWS).filter(pl.col("rows").cum_sum() < PIECE_ROWS)
        if of and _is_closed(of, of_day, now) and of_day.height > 1 and not _is_sorted(of_day):
            found.append(Heap(table, of_day, of, closes=True))
        elif small.height >= MANY:
            found.append(Heap(table, small, of, closes=False))
    return found


def _is_closed(day: date, files: pl.DataFrame, now: datetime) -> bool:
    last = files["modified"].max()
    return day < now.date() and isinstance(last, datetime) and last < now - QUIET


def _is_sorted(files: pl.DataFrame) -> bool:
    return files["path"].str.contains(f"/{_SORTED}-", literal=True).all()


def _files(table: DeltaTable) -> pl.DataFrame:
    """The table's files, oldest first within a day; those that do not tell their rows are left alone."""
    files = pl.DataFrame(table.get_add_actions(flatten=True))
    day = pl.col("partition.day") if "partition.day" in files.columns else pl.lit(None, pl.Date)
    modified = pl.from_epoch("modification_time", "ms").dt.replace_time_zone("UTC")
    return (
        files.select("path", "size_bytes", day.alias("day"), pl.col("num_records").alias("rows"), modified=modified)
        .filter(pl.col("rows").is_not_null())
        .sort("day", "modified", "path")
    )


def written(heap: Heap) -> Iterator[AddAction]:
    """Write the rows of a heap anew, file by file; nobody sees them yet.

    Yields
    ------
    AddAction
        One a file that was written. StoreError at the end if not every row was.
    """
    schema = pl.scan_delta(delta.opened(heap.table)).collect_schema()
    stored = pl.Schema({name: kind for name, kind in schema.items() if heap.day is None or name != "day"})
    rows = pl.scan_parquet([heap.table / path for path in heap.paths], schema=stored, missing_columns="insert")
    order = _SORTED_BY.get(heap.table.name, ("load",))
    count = 0
    for piece in _pieces(rows, heap.rows):
        frame = piece.sort(order, maintain_order=True).collect()
        count += frame.height
        yield _write(frame, heap)
    if count != heap.rows:
        raise StoreError(f"{heap.table}: {count} rows found in files that should hold {heap.rows}")


def _pieces(rows: pl.LazyFrame, count: int) -> Iterator[pl.LazyFrame]:
    """The rows in portions that can be sorted in memory, each of some machines and hours."""
    if count <= PIECE_ROWS:
        yield rows
        return
    keys = ["machine", "hour"]
    rows = rows.with_columns(pl.col("at").dt.truncate("1h").alias("hour"))
    counted = rows.group_by(keys).agg(pl.len().alias("count")).sort(keys).collect(engine="streaming")
    numbered = counted.with_columns(piece=(pl.col("count").cum_sum() - 1) // PIECE_ROWS)
    for _, part in numbered.group_by("piece", maintain_order=True):
        yield rows.join(part.select(keys).lazy(), on=keys, how="semi", nulls_equal=True).drop("hour")


def _write(frame: pl.DataFrame, heap: Heap) -> AddAction:
    name = f"{_SORTED if heap.closes else _TOGETHER}-{uuid4()}.zstd.parquet"
    path = f"day={heap.day}/{name}" if heap.day else name
    file = heap.table / path
    with delta.told(heap.table):
        try:
            frame.write_parquet(file, compression="zstd", row_group_size=_ROW_GROUP)
        except BaseException:
            file.unlink(missing_ok=True)
            raise
        delta.flush(file)
        return AddAction(
            path=path,
            size=file.stat().st_size,
            partition_values={"day": str(heap.day)} if heap.day else {},
            modification_time=_now_ms(),
            data_change=False,
            stats=json.dumps(_statistics(frame)),
        )


def _statistics(frame: pl.DataFrame) -> dict[str, object]:
    found: dict[str, object] = {"numRecords": frame.height}
    if "machine" in frame.columns and frame["machine"].null_count() == 0:
        told = [name for name in ("machine", "load") if name in frame.columns and frame[name].null_count() == 0]
        found |= {
            "minValues": {name: frame[name].min() for name in told},
            "maxValues": {name: frame[name].max() for name in told},
            "nullCount": dict.fromkeys(told, 0),
        }
    return found


def put_in_place(heap: Heap, made: list[AddAction]) -> bool:
    """Let the files that were written take the place of the heap, in one commit; the caller holds the lock.

    Returns
    -------
    bool
        False, and nothing done, where files of the heap have been replaced meanwhile.
    """
    table = delta.opened(heap.table)
    there = set(_files(table)["path"])
    if not there.issuperset(heap.paths) or not all(_is_there(heap.table / new.path, new.size) for new in made):
        return False
    partition: dict[str, str | None] = {"day": str(heap.day)} if heap.day else {}
    old = [
        RemoveAction(path, data_change=False, deletion_timestamp=_now_ms(), size=size, partition_values=partition)
        for path, size in heap.files.select("path", "size_bytes").iter_rows()
    ]
    with delta.told(heap.table):
        table.create_write_transaction(
            [*old, *made],
            "append",
            table.schema(),
            ["day"] if heap.day else [],
            commit_properties=CommitProperties(max_commit_retries=0),
        )
    delta.settle(heap.table)
    return True


def _is_there(file: Path, size: int) -> bool:
    return file.is_file() and file.stat().st_size == size


def _now_ms() -> int:
    return time.time_ns() // 1_000_000

"""What was read: the rows of each file exactly once, and which files the store holds."""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol

import polars as pl

from runlog.distinct import distinct
from runlog.schema import COUNT, EVENTS, PROGRESS, REJECTS
from runlog.store import delta
from runlog.store.folder import LAYOUT, Folder
from runlog.store.lock import writing

RESTATED: Final = "restated"
_DAY: Final = "day"
_LOAD: Final = "load"
_REPLACES: Final = "replaces"


@dataclass(frozen=True)
class KnownFiles:
    """What the store holds, by file.

    Attributes
    ----------
    identities : frozenset of str
        Every identity ever read, those of files that have grown since among them.
    standing : frozenset of str
        Those whose rows are in use: not the ones that have grown since.
    sizes : dict of str to list of int
        By source: the sizes at which its files were read, ascending. [bytes] A new file whose first so many
        bytes have one of the `identities` is that file, grown.
    """

    identities: frozenset[str]
    standing: frozenset[str]
    sizes: Mapping[str, list[int]]


class Read(Protocol):
    """What a reader makes of one file (see `runlog.intake.reading.Reading`)."""

    @property
    def events(self) -> pl.DataFrame: ...
    @property
    def rejects(self) -> pl.DataFrame: ...
    @property
    def progress(self) -> pl.DataFrame: ...


class Loads(Folder):
    """The side of a store that takes in readings and gives them back."""

    def append(self, readings: Sequence[Read], *, replaces: Mapping[str, Iterable[str]] | None = None) -> None:
        """Add the rows of some files in one step, each file once.

        Parameters
        ----------
        readings : sequence of Read
            One a file; a file the store holds already adds nothing.
        replaces : mapping of str to iterable of str, optional
            By identity of a file in `readings`: the identities it takes the place of, because it is the same file
            grown. Naming its own identity reads the file again.

        Raises
        ------
        StoreError
            The store cannot be written, or is of a newer version.
        """
        former = {file: sorted(set(olds)) for file, olds in (replaces or {}).items() if olds}
        with writing(self.folder, self._wait_s):
            self._lay_out()
            held = self.known().identities
            by_file = {file: reading for reading in readings if _is_new(file := _identity(reading), held, former)}
            # Replacing compares every row with a predicate, so files that only add go ahead without.
            for batch in _split(by_file, lambda file: file in former):
                self._load(batch, {file: former[file] for file in batch if file in former})

    def _load(self, readings: Mapping[str, Read], former: Mapping[str, list[str]]) -> None:
        events = self._path("events")
        on = delta.opened(events) if delta.exists(events) else None
        held = delta.load_of(on) if on else 0
        load = held + 1
        for name in ("rejects", RESTATED, "progress"):
            self._forget_after(name, held)
        body = pl.concat([reading.events for reading in readings.values()])
        number = pl.lit(load, COUNT).alias(_LOAD)
        side = {
            "rejects": pl.concat([reading.rejects for reading in readings.values()]),
            RESTATED: body.filter("head"),
            "progress": pl.concat(
                [
                    reading.progress.with_columns(pl.lit(json.dumps(former.get(file, []))).alias(_REPLACES))
                    for file, reading in readings.items()
                ]
            ),
        }
        for name, frame in side.items():
            if len(frame) or not delta.exists(self._path(name)):
                delta.commit(self._path(name), frame.with_columns(number), load=load)
        rows = body.filter(~pl.col("head")).with_columns(pl.col("stamped").dt.date().alias(_DAY))
        gone = {*readings, *(old for olds in former.values() for old in olds)}
        delta.commit(
            events,
            rows.sort(_DAY, "machine", "at", "body_start", "file", "line", "cell"),
            load=load,
            partition_by=LAYOUT["events"],
            mode="overwrite" if former else "append",
            predicate=delta.one_of("file", gone) if former else None,
            on=on,
        )

    def _forget_after(self, name: str, load: int) -> None:
        # Rows of a load that died before its commit; the next load takes its number.
        path = self._path(name)
        if delta.exists(path) and delta.load_of(delta.opened(path)) > load:
            delta.delete(path, f"{_LOAD} > {load}")

    def known(self) -> KnownFiles:
        """Which files the store holds; none if there is no store yet."""
        if not delta.exists(self._path("events")):
            return KnownFiles(frozenset(), frozenset(), {})
        load = self._load_now()
        read, standing = pl.collect_all(
            [
                self._visible("progress", load).select("source", "file", "offset"),
                self._standing("progress", load).select("file"),
            ]
        )
        sizes = read.group_by("source").agg(pl.col("offset").unique().sort())
        return KnownFiles(
            frozenset(read["file"]), frozenset(standing["file"]), dict(sizes.select("source", "offset").iter_rows())
        )

    def events(
        self,
        machines: Iterable[str] | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
    ) -> pl.LazyFrame:
        """The distinct observations, as EVENTS: what several files repeat is there once.

        Parameters
        ----------
        machines : iterable of str, optional
            Only these machines.
        start, end : datetime, optional
            Only what happened in [start, end); with zone.

        Returns
        -------
        pl.LazyFrame
            Holds the store as it is now; ask again after an `append`.
        """
        self._check()
        table = delta.opened(self._path("events"))
        load = delta.load_of(table)
        heads = self._standing(RESTATED, load).with_columns(pl.col("stamped").dt.date().alias(_DAY))
        rows = pl.concat([frame.select(*EVENTS.columns, _DAY) for frame in (pl.scan_delta(table), heads)])
        if machines is not None:
            rows = rows.filter(pl.col("machine").is_in(sorted(set(machines))))
        # `at` is never before `stamped`, and after it by no more than the furthest move on record.
        if start is not None:
            rows = rows.filter(pl.col(_DAY) >= (start.astimezone(UTC) - self._furthest_move(load)).date())
        if end is not None:
            rows = rows.filter(pl.col(_DAY) <= end.astimezone(UTC).date())
        found = distinct(EVENTS.conform(rows))
        if start is not None:
            found = found.filter(pl.col("at") >= start)
        return found.filter(pl.col("at") < end) if end is not None else found

    def rejects(self) -> pl.LazyFrame:
        """What could not be read, as REJECTS."""
        self._check()
        return REJECTS.conform(self._standing("rejects", self._load_now()))

    def progress(self) -> pl.LazyFrame:
        """How every file was read, as PROGRESS; of a file that grew, its last reading."""
        self._check()
        return PROGRESS.conform(self._standing("progress", self._load_now()))

    def _furthest_move(self, load: int) -> timedelta:
        furthest = self._visible("progress", load).select(pl.col("moved_most_s").max()).collect().item()
        return timedelta(seconds=furthest or 0.0)

    def _visible(self, name: str, load: int) -> pl.LazyFrame:
        # Open after `load` was read from `events`: what belongs to a load is there before its commit.
        return pl.scan_delta(delta.opened(self._path(name))).filter(pl.col(_LOAD) <= load)

    def _standing(self, name: str, load: int) -> pl.LazyFrame:
        """Rows of loads that came about, less those of files that have grown or were read again since."""
        replaced = (
            self._visible("progress", load)
            .select(
                pl.col(_REPLACES).str.json_decode(pl.List(pl.String)).alias("file"),
                pl.col(_LOAD).alias("replaced_in"),
            )
            .explode("file")
            .drop_nulls("file")
            .group_by("file")
            .agg(pl.col("replaced_in").max())
        )
        return (
            self._visible(name, load)
            .join(replaced, on="file", how="left")
            .filter(pl.col("replaced_in").is_null() | (pl.col(_LOAD) >= pl.col("replaced_in")))
        )


def _identity(reading: Read) -> str:
    return reading.progress["file"][0]


def _is_new(file: str, held: frozenset[str], former: Mapping[str, list[str]]) -> bool:
    return file not in held or file in former.get(file, [])


def _split(readings: Mapping[str, Read], apart: Callable[[str], bool]) -> list[dict[str, Read]]:
    kinds = [{file: one for file, one in readings.items() if apart(file) is kind} for kind in (False, True)]
    return [kind for kind in kinds if kind]

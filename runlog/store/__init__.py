"""The store: what was read and what was made of it, on disk, where readers only ever see whole steps.

    store = Store(Path("store"))
    store.append(readings)                    # exactly once, whatever happens in between
    store.events(["T01"]).collect()           # the distinct observations
    store.replace_facts(derive(...), ["T01"])
    store.fact("stops").collect()

A load takes three steps: `rejects`, `restated` and `progress` first, each row with the number of its load,
then `events`, whose commit carries that number as a mark. **The commit of `events` is the load**: rows of
the others with a higher number are of a load that never came about, nobody sees them, and the next load
removes them. Facts work alike: every table is written first, then one row in `generation` names the
versions that belong together, and readers open those.

A file that has grown is read anew as a whole, and its new rows take the place of the old ones in one commit.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, Protocol

import polars as pl

from runlog.distinct import distinct
from runlog.errors import StoreError
from runlog.schema import COUNT, EVENTS, FACT_TABLES, INSTANT, PROGRESS, REJECTS, TABLES, TEXT
from runlog.store import delta
from runlog.store.lock import writing

__all__ = ["FORMAT", "KnownFiles", "Read", "Store"]

FORMAT: Final = 1
"""How this version lays out a store; a store of a higher number is refused."""

RESTATED: Final = "restated"
_DAY: Final = "day"
_LOAD: Final = "load"
_REPLACES: Final = "replaces"

_LAYOUT: Final[dict[str, list[str]]] = {
    "events": [_DAY],
    # One machine's rows are replaced at a time; of the small tables the whole file is rewritten.
    "spans": ["machine"],
    "parts": ["machine"],
    "alarms": ["machine"],
}
"""Columns that split a table into folders."""

_GENERATION: Final = pl.Schema({"table": TEXT, "version": COUNT, "events_load": COUNT, "made_at": INSTANT})


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


class Store:
    """A folder of tables. Opening one does nothing yet; each question opens what it needs.

    Parameters
    ----------
    folder : Path
        Where the tables are, or will be with the first `append`.
    wait_s : float
        How long a write waits for another writer. [s]
    """

    def __init__(self, folder: Path, *, wait_s: float = 60.0) -> None:
        self.folder = folder
        self._wait_s = wait_s

    def __repr__(self) -> str:
        return f"Store({str(self.folder)!r})"

    # --- what was read -----------------------------------------------------------------------

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
            partition_by=_LAYOUT["events"],
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

    def _load_now(self) -> int:
        return delta.load_of(delta.opened(self._path("events")))

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

    # --- what was made of it -----------------------------------------------------------------

    def replace_facts(self, facts: Mapping[str, pl.LazyFrame], machines: Iterable[str] | None = None) -> None:
        """Put these facts in the place of all facts of these machines; readers see all of it or nothing.

        Parameters
        ----------
        facts : mapping of str to pl.LazyFrame
            By table name; rows of other machines are refused.
        machines : iterable of str, optional
            Whose facts give way, also where `facts` has none of them; all machines if not given.

        Raises
        ------
        StoreError
            There is no store, or it cannot be written.
        """
        ours = None if machines is None else sorted(set(machines))
        names = [table.name for table in FACT_TABLES if table.name in facts]
        frames = pl.collect_all([TABLES[name].conform(facts[name]) for name in names])
        for name, frame in zip(names, frames, strict=True):
            if ours is not None and (strangers := set(frame["machine"]) - set(ours)):
                raise ValueError(f"{name}: rows of {sorted(strangers)} found, of {ours} expected")
        self._check()
        with writing(self.folder, self._wait_s):
            load = self._load_now()
            versions = self._versions()
            for name, frame in zip(names, frames, strict=True):
                versions[name] = self._replace(name, frame, ours, versions.get(name))
            self._name_generation(versions, load)

    def _replace(self, name: str, frame: pl.DataFrame, machines: list[str] | None, held: int | None) -> int:
        path = self._path(name)
        if held is None or machines is None:
            return delta.commit(path, frame, partition_by=_LAYOUT.get(name), mode="overwrite")
        if delta.latest_version(path) != held:
            # A replacement that died before its generation was named: start from what is named.
            with delta.told(path):
                delta.opened(path).restore(held)
        return delta.commit(
            path,
            frame,
            partition_by=_LAYOUT.get(name),
            mode="overwrite",
            predicate=delta.one_of("machine", machines),
        )

    def _name_generation(self, versions: Mapping[str, int], load: int) -> None:
        rows = [(name, version, load, datetime.now(UTC)) for name, version in versions.items()]
        frame = pl.DataFrame(rows, schema=_GENERATION, orient="row")
        delta.commit(self._path("generation"), frame, mode="overwrite")

    def _versions(self) -> dict[str, int]:
        path = self._path("generation")
        if not delta.exists(path):
            return {}
        named = pl.scan_delta(delta.opened(path)).select("table", "version").collect()
        return dict(named.iter_rows())

    def facts_are_current(self) -> bool:
        """Whether the facts were made from all events there are; True without any."""
        if not self.exists():
            return True
        path = self._path("generation")
        if not delta.exists(path):
            return False
        made_from = pl.scan_delta(delta.opened(path)).select(pl.col("events_load").min()).collect().item()
        return made_from == self._load_now()

    def fact(self, name: str) -> pl.LazyFrame:
        """One table of facts, as of the last whole generation; empty before the first.

        Parameters
        ----------
        name : str
            One of FACT_TABLES.

        Returns
        -------
        pl.LazyFrame
            Holds the store as it is now; ask again after `replace_facts`.
        """
        self._check()
        return self._fact(name, self._versions())

    def facts(self) -> dict[str, pl.LazyFrame]:
        """Every table of facts, all of one generation."""
        self._check()
        versions = self._versions()
        return {table.name: self._fact(table.name, versions) for table in FACT_TABLES}

    def _fact(self, name: str, versions: Mapping[str, int]) -> pl.LazyFrame:
        table = TABLES[name]
        if name not in versions:
            return table.empty()
        stored = pl.scan_delta(delta.opened(self._path(name), versions[name]))
        if missing := set(table.columns) - set(stored.collect_schema().names()):
            raise StoreError(
                f"{self.folder}: {name} without {', '.join(sorted(missing))} found, facts of this version expected; "
                "`runlog derive` makes them anew"
            )
        return table.conform(stored)

    # --- the folder ---------------------------------------------------------------------------

    def exists(self) -> bool:
        """Whether anything was ever read into it."""
        return delta.exists(self._path("events"))

    def version(self) -> str:
        """Changes with every `append` and `replace_facts`: the key for what is cached. Costs a look at file names."""
        at = [delta.latest_version(self._path(name)) for name in ("events", "generation")]
        return "-".join("" if version is None else str(version) for version in at)

    def _path(self, name: str) -> Path:
        return self.folder / name

    def _check(self) -> None:
        if not self.exists():
            raise StoreError(f"{self.folder}: no store there yet; `runlog ingest FOLDER` reads logs into it")
        self._check_format()

    def _check_format(self) -> None:
        mark = self.folder / "store.json"
        try:
            found = json.loads(mark.read_text(encoding="utf-8"))["format"]
        except FileNotFoundError:
            return
        except (OSError, ValueError, KeyError, TypeError):
            raise StoreError(f"{mark}: not readable, a mark written by runlog expected") from None
        if found > FORMAT:
            raise StoreError(
                f"{self.folder}: a store of version {found} found, {FORMAT} or less expected; a newer runlog wrote it"
            )

    def _lay_out(self) -> None:
        self._check_format()
        mark = self.folder / "store.json"
        if not mark.exists():
            part = mark.with_suffix(".part")
            part.write_text(json.dumps({"format": FORMAT}), encoding="utf-8")
            part.replace(mark)


def _identity(reading: Read) -> str:
    return reading.progress["file"][0]


def _is_new(file: str, held: frozenset[str], former: Mapping[str, list[str]]) -> bool:
    return file not in held or file in former.get(file, [])


def _split(readings: Mapping[str, Read], apart: Callable[[str], bool]) -> list[dict[str, Read]]:
    kinds = [{file: one for file, one in readings.items() if apart(file) is kind} for kind in (False, True)]
    return [kind for kind in kinds if kind]

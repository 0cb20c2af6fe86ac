"""What was read: the rows of each file exactly once, whole or in pieces, and which files the store holds."""

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any, Final, NamedTuple, Protocol
from urllib.parse import unquote

import polars as pl

from runlog.distinct import distinct
from runlog.progress import TAIL, before_torn_end, by_file
from runlog.schema import COUNT, EVENTS, INSTANT, PROGRESS, REJECTS, TEXT
from runlog.store import delta
from runlog.store.carries import Carries
from runlog.store.folder import LAYOUT, Folder
from runlog.store.lock import writing

RESTATED: Final = "restated"
_DAY: Final = "day"
_LOAD: Final = "load"
_REPLACES: Final = "replaces"
_EMPTY: Final = -1
_EVER: Final = datetime(1, 1, 1, tzinfo=UTC)
"""When a file began of which that is not known."""
_NEWS: Final = pl.Schema({"machine": TEXT, "at": INSTANT, _LOAD: COUNT})


MOST_CARRIED: Final = 200
"""What is remembered of half-read files is kept for so many files of one append: those that spoke last."""


@dataclass(frozen=True)
class KnownFiles:
    """What the store holds, by file.

    Attributes
    ----------
    identities : dict of str to str
        Identities of all that was ever read, whole files and beginnings of files that were read piece by piece or
        have grown since, with the name their rows were kept under.
    standing : dict of str to (str, int)
        Files whose rows are in use, by the identity of what was read of them: the name their rows are kept
        under, and how far they were read. [bytes]
    sizes : dict of str to list of int
        By source: the sizes at which its files were read, ascending. [bytes]
    loads : dict of str to int
        By identity: the load that brought it last.
    beginnings : dict of str to list of Beginning
        By source, what `standing` holds: a new file whose first so many bytes are one of these is that file, grown.
    torn : dict of str to int
        Names under which torn ends in use are kept, and where they begin. [bytes]
    """

    identities: Mapping[str, str] = field(default_factory=dict)
    standing: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    sizes: Mapping[str, list[int]] = field(default_factory=dict)
    loads: Mapping[str, int] = field(default_factory=dict)
    beginnings: Mapping[str, list["Beginning"]] = field(default_factory=dict)
    torn: Mapping[str, int] = field(default_factory=dict)

    @cached_property
    def names(self) -> dict[str, int]:
        """Names under which rows in use are kept, and how far their files were read. [bytes]"""
        return dict(self.standing.values())

    def kept_under(self, identity: str) -> set[str]:
        """Names of the rows of a file, those of its torn end and those before it, unless these are another file's now.

        None of them may be in use: then its rows have given way to those of a file that begins with it.
        """
        name = self._name(identity)
        return {name} if self.is_parted(identity) else {name, before_torn_end(name)} - {""}

    def is_parted(self, identity: str) -> bool:
        """Whether what stood before the torn end of a file has gone on in another file."""
        name = self._name(identity)
        before = before_torn_end(name)
        return name in self.torn and before in self.names and self.names[before] != self.torn[name]

    def _name(self, identity: str) -> str:
        return self.standing[identity][0] if identity in self.standing else self.identities.get(identity, "")


class Beginning(NamedTuple):
    """Bytes that were read, and whose rows are in use: their identity, how many, under which name, in which load."""

    identity: str
    offset: int
    file: str
    load: int


@dataclass(frozen=True)
class Added:
    """What loads have brought.

    Attributes
    ----------
    news : pl.DataFrame
        machine, at: the oldest event of each machine that was added, those restated at heads of files left out.
    heads : pl.LazyFrame
        EVENTS restated at heads of files.
    removed_from : datetime or None
        The oldest event of files that have given way; None if none has.
    """

    news: pl.DataFrame
    heads: pl.LazyFrame
    removed_from: datetime | None


class Carried(Protocol):
    """What a reader remembers of a half-read file."""

    def to_bytes(self) -> bytes: ...


class Read(Protocol):
    """What a reader makes of one file, or a piece of one (see `runlog.intake.reading.Reading`)."""

    @property
    def events(self) -> pl.DataFrame: ...
    @property
    def rejects(self) -> pl.DataFrame: ...
    @property
    def progress(self) -> pl.DataFrame: ...
    @property
    def carry(self) -> Carried | None: ...


class Loads(Folder):
    """The side of a store that takes in readings and gives them back."""

    def append(self, readings: Sequence[Read], *, replaces: Mapping[str, Iterable[str]] | None = None) -> None:
        """Add the rows of some files, each once.

        Parameters
        ----------
        readings : sequence of Read
            Files, and pieces of files in their order. A file the store holds already adds nothing, nor does a piece
            that does not follow what the store holds of its file, unless that gives way here.
        replaces : mapping of str to iterable of str, optional
            By the name a file's rows are kept under: the names whose rows give way to it. Its own name reads the
            file again.

        Raises
        ------
        StoreError
            The store cannot be written, or is of another version.
        """
        with writing(self.folder, self._wait_s):
            self._lay_out()
            held = self._offsets()
            former = {file: sorted({*olds}) for file, olds in (replaces or {}).items() if olds}
            accepted = _accepted(readings, former, held)
            self._remember(accepted)
            # Replacing compares rows with a predicate, so files that only add go ahead without.
            for apart in (False, True):
                batch = [one for one in accepted if (before_torn_end(_row(one)["file"]) in former) is apart]
                if batch:
                    self._load(batch, {file: former[file] for one in batch if (file := _row(one)["file"]) in former})
            self._carries.forget({row["file"]: row["offset"] for row in map(_row, accepted)})

    def _offsets(self) -> dict[str, int]:
        """By the name of every file that was ever read: how far, or a number no piece begins at if it has given way."""
        if not self.exists():
            return {}
        load = self._load_now()
        ever, standing = pl.collect_all(
            [
                self._visible("progress", load).select("file").unique(),
                self._standing("progress", load).group_by("file").agg(pl.col("offset").sort_by("begins").last()),
            ]
        )
        gone = ever.join(standing, on="file", how="anti").with_columns(offset=pl.lit(_EMPTY, COUNT))
        both = pl.concat([gone, standing.with_columns(pl.col("offset").replace(0, _EMPTY))])
        return dict(both.iter_rows())

    def _remember(self, readings: Sequence[Read]) -> None:
        """Keep what the next piece of a file needs, before the file's rows are committed."""
        ends = {row["file"]: (reading.carry, row) for reading in readings for row in [_row(reading)]}
        latest = sorted(ends.values(), key=lambda end: str(end[1]["last_at"]), reverse=True)
        for carry, row in latest[:MOST_CARRIED]:
            if carry is not None:
                self._carries.put(row["file"], row["offset"], carry.to_bytes())

    def carry(self, file: str, offset: int) -> bytes | None:
        """What was remembered of a file read up to there; None if nothing was."""
        return self._carries.get(file, offset)

    @property
    def _carries(self) -> Carries:
        return Carries(self._path("carry"))

    def _load(self, readings: Sequence[Read], former: Mapping[str, list[str]]) -> None:
        events = self._path("events")
        on = delta.opened(events) if delta.exists(events) else None
        held = delta.load_of(on) if on else 0
        load = held + 1
        for name in ("rejects", RESTATED, "progress"):
            self._forget_after(name, held)
        gone = self._with_rows(olds for files in former.values() for olds in files)
        body = pl.concat([reading.events for reading in readings])
        number = pl.lit(load, COUNT).alias(_LOAD)
        side = {
            "rejects": pl.concat([reading.rejects for reading in readings]),
            RESTATED: body.filter("head"),
            "progress": _with_replaced(readings, former),
        }
        for name, frame in side.items():
            if len(frame) or not delta.exists(self._path(name)):
                delta.commit(self._path(name), frame.with_columns(number), load=load)
        rows = body.filter(~pl.col("head")).with_columns(pl.col("stamped").dt.date().alias(_DAY), number)
        delta.commit(
            events,
            rows.sort(_DAY, "machine", "at", "body_start", "file", "line", "cell"),
            load=load,
            partition_by=LAYOUT["events"],
            mode="overwrite" if gone else "append",
            # What is written must satisfy it as well.
            predicate=f"{delta.one_of('file', gone)} or {_LOAD} = {load}" if gone else None,
            on=on,
        )

    def _with_rows(self, files: Iterable[str]) -> set[str]:
        """Those of these files that have rows in `events`."""
        asked = {*files}
        if not asked or not self.exists():
            return set()
        rows = self._standing("progress", self._load_now()).filter(pl.col("events") > 0).select("file").unique()
        return asked & {*rows.collect()["file"]}

    def _forget_after(self, name: str, load: int) -> None:
        # Rows of a load that died before its commit; the next load takes its number.
        path = self._path(name)
        if delta.exists(path) and delta.load_of(delta.opened(path)) > load:
            delta.delete(path, f"{_LOAD} > {load}")

    def known(self) -> KnownFiles:
        """Which files the store holds; none if there is no store yet."""
        if not delta.exists(self._path("events")):
            return KnownFiles()
        load = self._load_now()
        read, standing = pl.collect_all(
            [
                self._visible("progress", load).select("source", "file", "prefix", "offset", _LOAD),
                self._standing("progress", load)
                .sort("begins", "offset")
                .group_by("file", maintain_order=True)
                .agg(pl.col("source", "prefix", "offset", _LOAD, "begins").last()),
            ]
        )
        sizes = read.group_by("source").agg(pl.col("offset").unique().sort())
        beginnings: dict[str, list[Beginning]] = {}
        for source, *told in standing.select("source", "prefix", "offset", "file", _LOAD).iter_rows():
            beginnings.setdefault(source, []).append(Beginning(*told))
        return KnownFiles(
            dict(read.select("prefix", "file").iter_rows()),
            {
                prefix: (file, offset)
                for prefix, file, offset in standing.select("prefix", "file", "offset").iter_rows()
            },
            dict(sizes.select("source", "offset").iter_rows()),
            dict(read.group_by("prefix").agg(pl.col(_LOAD).max()).iter_rows()),
            beginnings,
            dict(standing.filter(pl.col("file").str.contains(TAIL, literal=True)).select("file", "begins").iter_rows()),
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

    def added_since(self, load: int) -> Added:
        """What the loads after this one have brought and taken away."""
        table = delta.opened(self._path("events"))
        now = delta.load_of(table)
        files = pl.DataFrame(table.get_add_actions(flatten=True))
        # Files that do not tell which loads they are of are opened to see.
        late = files.filter((pl.col("max.load") > load).fill_null(True)) if "max.load" in files.columns else files
        uris = [str(self._path("events") / unquote(path)) for path in late["path"]]
        rows = pl.scan_parquet(uris, missing_columns="insert", extra_columns="ignore", schema=_NEWS) if uris else None
        brought = pl.LazyFrame(schema=_NEWS) if rows is None else rows.filter(pl.col(_LOAD).is_between(load + 1, now))
        replaced = (
            self._visible("progress", now)
            .filter(pl.col(_LOAD) > load)
            .select(pl.col(_REPLACES).str.json_decode(pl.List(pl.String)).alias("file"))
            .explode("file")
            .drop_nulls()
        )
        removed = self._visible("progress", now).join(replaced, on="file", how="semi").filter(pl.col("events") > 0)
        return Added(
            brought.group_by("machine").agg(pl.col("at").min()).collect(),
            EVENTS.conform(self._standing(RESTATED, now).filter(pl.col(_LOAD) > load)),
            removed.select(pl.col("first_at").fill_null(_EVER).min()).collect().item(),
        )

    def rejects(self) -> pl.LazyFrame:
        """What could not be read, as REJECTS."""
        self._check()
        return REJECTS.conform(self._standing("rejects", self._load_now()))

    def progress(self) -> pl.LazyFrame:
        """How every file was read, as PROGRESS, one row a file whatever number of pieces it was read in."""
        self._check()
        return by_file(PROGRESS.conform(self._standing("progress", self._load_now())))

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


def _row(reading: Read) -> dict[str, Any]:
    return reading.progress.row(0, named=True)


def _accepted(readings: Sequence[Read], former: Mapping[str, list[str]], held: Mapping[str, int]) -> list[Read]:
    """What is not there yet, or gives way to what is read here."""
    gone = {name for names in former.values() for name in names}
    held, accepted = {name: offset for name, offset in held.items() if name not in gone}, []
    for reading in readings:
        row = _row(reading)
        if _follows(row["file"], row["begins"], held):
            accepted.append(reading)
            held[row["file"]] = row["offset"] or _EMPTY
    return accepted


def _follows(file: str, begins: int, held: Mapping[str, int]) -> bool:
    """Whether a piece is the next one of its file."""
    main, _, tail = file.partition(TAIL)
    if tail:
        return file not in held and held.get(main, 0) == begins
    return held.get(file, 0) == begins


def _with_replaced(readings: Sequence[Read], former: Mapping[str, list[str]]) -> pl.DataFrame:
    """PROGRESS of some readings; the first of a file names those that give way to it."""
    progress = pl.concat([reading.progress for reading in readings])
    olds = {file: json.dumps(names) for file, names in former.items()}
    named = pl.col("file").replace_strict(olds, default=None, return_dtype=pl.String)
    return progress.with_columns(
        pl.when(pl.col("file").is_first_distinct()).then(named).fill_null("[]").alias(_REPLACES)
    )

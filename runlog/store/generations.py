"""What was made of it: tables of facts, replaced together and read together."""

from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final

import polars as pl

from runlog.errors import StoreError
from runlog.schema import COUNT, DERIVED_TABLES, FACT_TABLES, INSTANT, STARTS, TEXT
from runlog.store import delta
from runlog.store.loads import Added, Loads
from runlog.store.lock import writing

_GENERATION: Final = pl.Schema(
    {"table": TEXT, "version": COUNT, "events_load": COUNT, "made_for": TEXT, "made_at": INSTANT}
)
_RECENT: Final = timedelta(days=14)
_MOST_FILES: Final = 40
"""A table of facts in more files than that becomes one of few."""


@dataclass(frozen=True)
class Stand:
    """Facts as they stand, and what the store has taken in since they were made.

    Attributes
    ----------
    facts : mapping of str to LazyFrame
        DERIVED_TABLES by name, of one generation.
    news : Added
        What loads have brought since.
    made_for : str
        What they were made from besides events, as `replace_facts` was told.
    """

    facts: Mapping[str, pl.LazyFrame]
    news: Added
    made_for: str


class Generations(Loads):
    """The side of a store that holds facts; readers see those of one generation."""

    def replace_facts(
        self,
        facts: Mapping[str, pl.LazyFrame],
        machines: Iterable[str] | None = None,
        *,
        since: pl.DataFrame | None = None,
        made_for: str = "",
        made_of: Mapping[str, int | None] | None = None,
    ) -> None:
        """Put these facts in the place of all facts of these machines; readers see all of it or nothing.

        Parameters
        ----------
        facts : mapping of str to pl.LazyFrame
            By table name; rows of other machines are refused.
        machines : iterable of str, optional
            Whose facts give way, also where `facts` has none of them; all machines if not given.
        since : pl.DataFrame, optional
            machine, cut, cut_date, shifts_before: of these machines only what lies at or after the cut gives way.
        made_for : str
            What they were made from besides events.
        made_of : mapping of str to (int or None), optional
            Versions of INPUT_TABLES they were made from; kept for as long as these facts are.

        Raises
        ------
        StoreError
            There is no store, or it cannot be written.
        """
        ours = None if machines is None else sorted(set(machines))
        names = [name for name in DERIVED_TABLES if name in facts]
        frames = pl.collect_all([DERIVED_TABLES[name].conform(facts[name]) for name in names])
        for name, frame in zip(names, frames, strict=True):
            if ours is not None and (strangers := set(frame["machine"]) - set(ours)):
                raise ValueError(f"{name}: rows of {sorted(strangers)} found, of {ours} expected")
        self._check()
        with writing(self.folder, self._wait_s):
            load = self._load_now()
            versions = self._versions()
            for name, frame in zip(names, frames, strict=True):
                gives_way = giving_way(name, ours, since)
                versions[name] = self._replace(name, frame, gives_way, versions.get(name))
            held = {name: version for name, version in (made_of or {}).items() if version is not None}
            self._name_generation(versions | held, load, made_for)

    def _replace(self, name: str, frame: pl.DataFrame, gives_way: str | None, held: int | None) -> int:
        path = self._path(name)
        if held is None or gives_way is None:
            return self._write_anew(name, frame)
        if delta.latest_version(path) != held:
            # A replacement that died before its generation was named: start from what is named.
            delta.put_back(path, held)
        version = delta.commit(path, frame, mode="overwrite", predicate=gives_way)
        return delta.put_together(path) if len(delta.opened(path).file_uris()) > _MOST_FILES else version

    def _write_anew(self, name: str, frame: pl.DataFrame) -> int:
        """All of a table; what is recent in a file of its own, as it is what the next replacement writes over."""
        path, at = self._path(name), STARTS.get(name)
        latest = frame[at].max() if at else None
        if at is None or not isinstance(latest, datetime):
            return delta.commit(path, frame, mode="overwrite")
        recent = (pl.col(at) >= latest - _RECENT).fill_null(True)
        old = frame.filter(~recent)
        version = delta.commit(path, old, mode="overwrite")
        return delta.commit(path, frame.filter(recent)) if old.height < frame.height else version

    def _name_generation(self, versions: Mapping[str, int], load: int, made_for: str) -> None:
        rows = [(name, version, load, made_for, datetime.now(UTC)) for name, version in versions.items()]
        frame = pl.DataFrame(rows, schema=_GENERATION, orient="row")
        delta.commit(self._path("generation"), frame, mode="overwrite")

    def _versions(self) -> dict[str, int]:
        path = self._path("generation")
        if not delta.exists(path):
            return {}
        named = pl.scan_delta(delta.opened(path)).select("table", "version").collect()
        return dict(named.iter_rows())

    def facts_are_current(self, made_for: str | None = None) -> bool:
        """Whether the facts were made from all events there are, and for this if it is given; True without events."""
        if not self.exists():
            return True
        made = self._made()
        return made is not None and made[0] == self._load_now() and made_for in (None, made[1])

    def _made(self) -> tuple[int, str] | None:
        """The load up to which the facts were made, and what for; None without facts."""
        path = self._path("generation")
        if not delta.exists(path):
            return None
        rows = pl.scan_delta(delta.opened(path))
        if "made_for" not in rows.collect_schema().names():
            return None
        found = rows.select(pl.col("events_load").min(), pl.col("made_for").first()).collect()
        return None if found["events_load"][0] is None else found.row(0)

    def stand(self) -> Stand | None:
        """Facts to derive onward from; None where there are none of this version."""
        made = self._made() if self.exists() else None
        versions = self._versions()
        if made is None or not DERIVED_TABLES.keys() <= versions.keys():
            return None
        try:
            facts = {name: self._fact(name, versions) for name in DERIVED_TABLES}
        except StoreError:  # made by another version
            return None
        return Stand(facts, self.added_since(made[0]), made[1])

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
        names = [table.name for table in FACT_TABLES]
        with ThreadPoolExecutor() as openers:  # opening one waits for the disk most of the time
            return dict(zip(names, openers.map(lambda name: self._fact(name, versions), names), strict=True))

    def _fact(self, name: str, versions: Mapping[str, int]) -> pl.LazyFrame:
        table = DERIVED_TABLES[name]
        if name not in versions:
            return table.empty()
        stored = pl.scan_delta(delta.opened(self._path(name), versions[name]))
        if missing := set(table.columns) - set(stored.collect_schema().names()):
            raise StoreError(
                f"{self.folder}: {name} without {', '.join(sorted(missing))} found, facts of this version expected; "
                "`runlog derive` makes them anew"
            )
        return table.conform(stored)


def giving_way(name: str, machines: list[str] | None, since: pl.DataFrame | None) -> str | None:
    """Predicate of the rows of a table of facts that give way; None if all do.

    Parameters
    ----------
    name : str
        One of DERIVED_TABLES.
    machines : list of str, optional
        Only theirs.
    since : pl.DataFrame, optional
        machine, cut, cut_date, shifts_before.
    """
    if machines is not None:
        return delta.one_of("machine", machines)
    if since is None or since.is_empty() or name == "marks":
        return None
    alike = since.group_by("cut", "cut_date", "shifts_before", maintain_order=True).agg("machine")
    late = [
        f"({delta.one_of('machine', names)} and ({_after(name, cut, day, before)}))"
        for cut, day, before, names in alike.select("cut", "cut_date", "shifts_before", "machine").iter_rows()
    ]
    others = f"machine not in ({', '.join(map(delta.quoted, since['machine'].sort()))})"
    return " or ".join([*late, others])


def _after(name: str, cut: datetime, day: date, before: list[str]) -> str:
    if (at := STARTS.get(name)) is None:
        kept = f" and shift not in ({', '.join(map(delta.quoted, before))})" if before else ""
        return f"shift_date > '{day}' or (shift_date = '{day}'{kept})"
    instant = f"'{cut.astimezone(UTC):%Y-%m-%dT%H:%M:%S}'"
    if name == "alarms":
        return f"{at} >= {instant} or end >= {instant} or end is null"
    return f"{at} >= {instant} or {at} is null"

"""What was made of it: tables of facts, replaced together and read together."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Final

import polars as pl

from runlog.errors import StoreError
from runlog.schema import COUNT, FACT_TABLES, INSTANT, TABLES, TEXT
from runlog.store import delta
from runlog.store.folder import LAYOUT, Folder
from runlog.store.lock import writing

_GENERATION: Final = pl.Schema({"table": TEXT, "version": COUNT, "events_load": COUNT, "made_at": INSTANT})


class Generations(Folder):
    """The side of a store that holds facts; readers see those of one generation."""

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
            return delta.commit(path, frame, partition_by=LAYOUT.get(name), mode="overwrite")
        if delta.latest_version(path) != held:
            # A replacement that died before its generation was named: start from what is named.
            delta.put_back(path, held)
        return delta.commit(
            path,
            frame,
            partition_by=LAYOUT.get(name),
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

"""After a power cut: put the tables back to where they agree, so that what is lost is read again from the logs.

    for line in store.mend():
        print(line)

The last commit of each table can be torn (see `torn`). What a load leaves in several tables belongs together, so
`events` goes back to the last load that is whole everywhere; rows of later loads in the other tables are then of
loads that never came about, which nobody sees and the next load removes. Facts can be made anew from events: where
one of their tables is torn, or they were made from a load that is no more, none are left until they are derived. What a
person put in cannot be made anew: its table goes back to what it held before, and that is told.
"""

from collections.abc import Callable, Mapping
from typing import Final

import polars as pl

from runlog.naming import first_of
from runlog.schema import FACT_TABLES, INPUT_TABLES
from runlog.store import delta
from runlog.store.generations import Generations
from runlog.store.lock import writing
from runlog.store.torn import Commit, commits, drop_torn_checkpoints, since, torn, undo

_BESIDE: Final = ("restated", "rejects", "progress")
_FACTS: Final = {"generation", *(table.name for table in FACT_TABLES)}
_INPUTS: Final = {table.name for table in INPUT_TABLES}
_NAMED: Final = 5


class Mending(Generations):
    """The side of a store that looks whether it is whole."""

    def mend(self) -> list[str]:
        """Undo commits that are torn; to be called before the first write of a program.

        Returns
        -------
        list of str
            What was done, a line each; empty if all was well, or there is no store.

        Raises
        ------
        StoreError
            The store cannot be written, or is damaged beyond that.
        """
        if not self.folder.is_dir():
            return []
        with writing(self.folder, self._wait_s), delta.told(self.folder):
            self._drop_empty_mark()
            paths = [log.parent for log in sorted(self.folder.glob("*/_delta_log"))]
            for path in paths:
                drop_torn_checkpoints(path)
            bad = {path.name: found for path in paths if (found := torn(path))}
            if bad.keys() & _FACTS:
                self._forget_facts()
            return self._mend(bad)

    def _drop_empty_mark(self) -> None:
        mark = self.folder / "store.json"
        if mark.is_file() and not mark.read_bytes().strip(b"\0"):
            mark.unlink()

    def _mend(self, bad: Mapping[str, list[Commit]]) -> list[str]:
        beside = [commit for name in _BESIDE for commit in bad.get(name, [])]
        # Events go first: were the others mended first and this interrupted, nothing would tell that events must go.
        events = self._take_back(lambda commit: any(_is_as_late(commit, one) for one in beside), bad.get("events", []))
        for name in bad.keys() - {"events", "generation"}:
            undo(self._path(name), bad[name])
        if delta.exists(self._path("progress")):
            read = delta.load_of(delta.opened(self._path("progress")))
            events += self._take_back(lambda commit: (commit.load or 0) > read, [])
        lines = []
        if bad or events:
            names = ", ".join(bad) or "progress"
            lines.append(f"{self.folder}: {names} half written, as by a power cut; put back to what was whole")
        if events:
            lines.append(f"{self.folder}: to be read again from the logs: {self._lost()}")
        if entered := bad.keys() & _INPUTS:
            lines.append(f"{self.folder}: what was last put into {', '.join(sorted(entered))} has to be put in again")
        return lines

    def _take_back(self, is_lost: Callable[[Commit], bool], bad: list[Commit]) -> list[Commit]:
        """Undo the commits of events from the first that is torn or lost; which these were."""
        path = self._path("events")
        first = bad[0].version if bad else None
        undone = since(path, lambda commit: is_lost(commit) or (first is not None and commit.version >= first))
        if undone:
            # Facts of a load that is no more could be taken for those of the next, which has its number.
            self._forget_facts()
        undo(path, undone)
        return undone

    def _forget_facts(self) -> None:
        path = self._path("generation")
        undo(path, commits(path, len(delta.entries(path))))

    def _lost(self) -> str:
        path = self._path("progress")
        if not delta.exists(path):
            return "what was read last"
        held = self._load_now() if self.exists() else 0
        rows = pl.scan_delta(delta.opened(path)).filter(pl.col(delta.LOAD) > held)
        names = rows.select(pl.col("path").unique().sort()).collect()["path"].to_list()
        return first_of(names, _NAMED) or "what was read last"


def _is_as_late(commit: Commit, torn: Commit) -> bool:
    """Whether a commit of events is of the same load as a torn one beside it, or of a later load."""
    if commit.load is None:
        return False
    if torn.load is not None:
        return commit.load >= torn.load
    # An entry that cannot be read does not tell its load, but what comes beside events is written before them.
    return commit.entry.stat().st_mtime_ns >= torn.entry.stat().st_mtime_ns

"""How the store stands: what came last from each source, and whether somebody keeps it up to date.

found = store_status(Store(Path("store")), datetime.now(UTC))
found.sources      # one row a source
found.problems     # what a person should look at; empty if all is well
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import polars as pl

from runlog.figures.soundness import sources
from runlog.store import Store, heartbeat
from runlog.store.heartbeat import WAITING, Heartbeat, Life

BUSY_AT_MOST: Final = timedelta(minutes=30)
"""A watcher that is at one step for longer is thought to hang."""


@dataclass(frozen=True)
class Status:
    """A store at one instant.

    Attributes
    ----------
    store, version : str
        Its folder, and its state: changes with every step.
    at : datetime
        The instant.
    sources : pl.DataFrame
        One row a source: source, files, last_file, last_read, last_event, lag_s (from the last event to `at`),
        rejects.
    watcher : Heartbeat or None
        The watcher as it last said; None if there never was one.
    problems : list of str
        What a person should look at, a sentence each.
    """

    store: str
    version: str
    at: datetime
    sources: pl.DataFrame
    watcher: Heartbeat | None
    problems: list[str]

    @property
    def life(self) -> Life | None:
        """Whether the watcher lives."""
        return self.watcher.life(self.at) if self.watcher else None

    def watcher_in_words(self) -> list[str]:
        """What there is to say of the watcher, a line each."""
        beat = self.watcher
        if beat is None:
            return ["watcher: none has run here"]
        who = f"process {beat.pid} on {beat.host}"
        words = {
            "running": f"running since {_said(beat.since)}, {who}: {beat.doing} since {_said(beat.doing_since)}",
            "stopped": f"{'looked once,' if beat.once else 'stopped'} {_said(beat.at)}",
            "dead": f"not heard of since {_said(beat.at)}, {who}",
        }
        files = [f"  tried again: {path}: {reason}" for path, reason in beat.troubles.items()]
        return [f"watcher: {words[beat.life(self.at)]}", *files]


def store_status(
    store: Store, at: datetime, stale_after: timedelta | None = None, progress: pl.LazyFrame | None = None
) -> Status:
    """How a store stands.

    Parameters
    ----------
    store : Store
        The store.
    at : datetime
        The present instant, with zone.
    stale_after : timedelta, optional
        A source whose last event is older is a problem; by default none is, as machines rest at weekends.
    progress : LazyFrame, optional
        The store's, where somebody has read it already.

    Raises
    ------
    StoreError
        There is no store, or it cannot be read.
    """
    told = sources(store.progress() if progress is None else progress, at)
    beat = heartbeat.read(store.folder)
    problems = [*_of_watcher(beat, at), *_of_facts(store, beat, at)]
    if stale_after is not None:
        limit = stale_after.total_seconds()
        silent = told.filter((pl.col("lag_s") > limit) | pl.col("lag_s").is_null())
        problems += [f"{name}: no event within the last {limit / 3600:g} h" for name in silent["source"]]
    return Status(str(store.folder), store.version(), at, told.drop("offered"), beat, problems)


def as_data(status: Status) -> dict[str, Any]:
    """The same as plain values for JSON; instants in ISO 8601, UTC."""
    beat = status.watcher
    return {
        "store": status.store,
        "version": status.version,
        "at": status.at.isoformat(),
        "problems": status.problems,
        "watcher": None
        if beat is None
        else {
            "life": status.life,
            "pid": beat.pid,
            "host": beat.host,
            "since": beat.since.isoformat(),
            "heard_of": beat.at.isoformat(),
            "once": beat.once,
            "doing": beat.doing,
            "doing_since": beat.doing_since.isoformat(),
            "folders": beat.folders,
            "failing": beat.failing,
            "troubles": dict(beat.troubles),
        },
        "sources": [
            {name: value.isoformat() if isinstance(value, datetime) else value for name, value in row.items()}
            for row in status.sources.iter_rows(named=True)
        ],
    }


def _of_watcher(beat: Heartbeat | None, at: datetime) -> list[str]:
    if beat is None:
        return []
    life = beat.life(at)
    if life == "dead":
        return [f"the watcher lives no more: not heard of since {_said(beat.at)}"]
    if life == "stopped":
        return [] if beat.once else [f"the watcher was stopped {_said(beat.at)}"]
    if beat.failing:
        return [beat.failing]
    if beat.doing != WAITING and at - beat.doing_since > BUSY_AT_MOST:
        return [f"the watcher seems to hang: {beat.doing} since {_said(beat.doing_since)}"]
    return []


def _of_facts(store: Store, beat: Heartbeat | None, at: datetime) -> list[str]:
    # A watcher at work is about to derive them.
    if (beat and beat.life(at) == "running") or store.facts_are_current():
        return []
    return ["facts are older than the events they are made from: `runlog derive` makes them anew"]


def _said(instant: datetime) -> str:
    return f"{instant.astimezone():%Y-%m-%d %H:%M:%S %Z}"

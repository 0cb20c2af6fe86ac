"""Facts that follow the site file: whether they do, what making them anew takes, and doing it.

due = derivation(progress)          # how many events, how long, and whether a page may do it
facts_follow(site, store)
"""

from dataclasses import dataclass
from typing import Final

import polars as pl

from runlog.pipeline import is_current, rederive
from runlog.site import Site
from runlog.store import Store

EVENTS_A_SECOND: Final = 30_000
"""As many were derived from by a page on two busy cores: 2.46 million in 83 s, twice. Idle ones are faster."""
BESIDE_UP_TO: Final = 5_000_000
"""Events up to which facts are made beside other work: all of them are held in memory."""


@dataclass(frozen=True)
class Derivation:
    """What making all facts anew takes.

    Attributes
    ----------
    events : int
        That it reads.
    seconds : int
        About how long it takes. [s]
    beside : bool
        It can be done beside other work, as by a page; else a command is to do it.
    """

    events: int
    seconds: int
    beside: bool


def derivation(progress: pl.DataFrame) -> Derivation:
    """What making all facts anew takes, by PROGRESS."""
    events = int(progress["events"].sum())
    return Derivation(events, max(1, round(events / EVENTS_A_SECOND)), events <= BESIDE_UP_TO)


def facts_are_current(site: Site, store: Store) -> bool:
    """Whether facts are those of all events, this site file and the plans."""
    return is_current(site, store)


def facts_follow(site: Site, store: Store) -> list[str]:
    """Bring facts up to date with the site file; says in words which job standards are new.

    Raises
    ------
    StoreError
        The store cannot be written, or another is writing.
    """
    return [str(standard) for standard in rederive(site, store)]

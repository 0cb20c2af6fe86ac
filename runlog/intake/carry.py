"""What is remembered of a file, so that what comes after can be read on its own.

A file read in pieces must give what it gives as a whole. So a piece is read on its own only where nothing in it
could have changed what was read before, nor what was before could change it in a way that is not remembered here;
everywhere else `CannotFollowError` says so, and the file is read as a whole. That is always right, only slower.
"""

import io
import json
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, Final

import polars as pl

from runlog.schema import EVENTS, INSTANT

FINISHED: Final = ("at", "nth", "head", "body_start", "file", "source")
"""Columns of EVENTS that only `reading.finish` can know."""

OBSERVATIONS: Final = pl.Schema({n: c.dtype for n, c in EVENTS.columns.items() if n not in FINISHED})
"""Columns and types of observations as a format module offers them."""

GROUPS: Final = pl.Schema(
    {
        "machine": pl.String(),
        "body_start": INSTANT,
        "highest": INSTANT,
        "before": INSTANT,
        "latest": INSTANT,
        "since": INSTANT,
    }
)
"""By machine, of the instance under way: first stamp of the body; highest instant of the stretch under way, and the
stamp before; the latest stamp of all; and since when `recent` is complete."""

WINDOWS: Final = (timedelta(hours=1), timedelta(minutes=10), timedelta(minutes=2))
"""How far back stamps are remembered: the longest that does not hold too many."""
MOST_RECENT: Final = 5_000
MOST_ITEMS: Final = 20_000


class CannotFollowError(Exception):
    """What comes after cannot be read on its own; its text says why."""


@dataclass(frozen=True)
class Carry:
    """What is remembered at the end of a piece.

    Attributes
    ----------
    format : str
        Format of the file.
    lines : int
        Lines before, where rows are found by their line.
    instance : str
        The instance of the agent under way, in documents. The frames are about that one.
    dialect : dict
        What the format module found out about the file and must find again.
    groups : pl.DataFrame
        GROUPS, one row a machine.
    last : pl.DataFrame
        OBSERVATIONS: the last of each item, in the order of the file.
    recent : pl.DataFrame
        OBSERVATIONS: those kept that are stamped after `since` of their machine.
    """

    format: str
    lines: int
    dialect: dict[str, Any]
    instance: str = ""
    groups: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=GROUPS))
    last: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=OBSERVATIONS))
    recent: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=OBSERVATIONS))

    def clocks(self) -> pl.DataFrame:
        """OBSERVATIONS that bring the two-clocks rule to where it was: its highest instant, then the stamp before."""
        rows = [self.groups.select("machine", pl.col(name).alias("stamped")) for name in ("highest", "before")]
        return _filled(pl.concat(rows))

    def to_bytes(self) -> bytes:
        """All of it, to be kept beside the file's rows."""
        frames = [_packed(getattr(self, name)) for name in _FRAMES]
        told = {name: getattr(self, name) for name in _TOLD}
        head = {**told, "sizes": [*map(len, frames)]}
        return b"\n".join((json.dumps(head).encode(), b"".join(frames)))

    @classmethod
    def from_bytes(cls, stored: bytes) -> "Carry | None":
        """The same again; None if it is none of ours, or not whole."""
        try:
            head, _, rest = stored.partition(b"\n")
            told = json.loads(head)
            ends = [sum(told["sizes"][: count + 1]) for count in range(len(_FRAMES))]
            begins = [0, *ends[:-1]]
            frames = [pl.read_ipc(rest[begin:end]) for begin, end in zip(begins, ends, strict=True)]
            found = dict(zip(_FRAMES, frames, strict=True))
            if any(frame.schema != schema for frame, schema in zip(frames, _FRAMES.values(), strict=True)):
                return None
            return cls(*(told[name] for name in _TOLD), **found)
        except (ValueError, KeyError, TypeError, OSError, pl.exceptions.PolarsError):
            return None


_TOLD: Final = ("format", "lines", "dialect", "instance")
_FRAMES: Final = {"groups": GROUPS, "last": OBSERVATIONS, "recent": OBSERVATIONS}


def _filled(frame: pl.DataFrame) -> pl.DataFrame:
    nothing = {name: pl.lit(None, dtype) for name, dtype in OBSERVATIONS.items() if name not in frame.columns}
    return frame.with_columns(**nothing).with_columns(data_item=pl.lit("")).select(*OBSERVATIONS).cast(OBSERVATIONS)


def _packed(frame: pl.DataFrame) -> bytes:
    into = io.BytesIO()
    frame.write_ipc(into, compression="zstd")
    return into.getvalue()

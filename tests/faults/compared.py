"""What a store holds against a clean read of the same files: rows lost, rows too many, rows stored twice, facts."""

from dataclasses import dataclass

import polars as pl
from watch.shop import facts

from runlog.store import Store

WHERE = ("source", "file", "line", "cell")
"""Where an observation stood: of its copies another may be the one that is told."""
_ONE_ROW = ("file", "line", "cell", "machine", "data_item", "stamped")
"""What no two stored rows share. Numbers of lines alone begin anew with each instance of an agent."""
_REJECT = ("source", "line", "cell", "raw", "reason")


@dataclass(frozen=True)
class Difference:
    """A store against a clean one.

    Attributes
    ----------
    events : int
        Distinct events of the clean read.
    lost, extra : int
        Distinct events that only the clean read has, and that only the store has, by all columns but `WHERE`.
    stored, repeated : int
        Rows as they lie in the tables `events` and `restated` (see `raw`); those of them that repeat another.
    rejects_lost, rejects_extra : int
        The same as `lost` and `extra`, of rejects.
    facts : list of str
        Names of the tables of facts that differ.
    """

    events: int
    lost: int
    extra: int
    stored: int
    repeated: int
    rejects_lost: int
    rejects_extra: int
    facts: list[str]

    @property
    def is_none(self) -> bool:
        """Whether there is no difference at all."""
        wrong = self.lost + self.extra + self.repeated + self.rejects_lost + self.rejects_extra
        return not wrong and not self.facts


def compared(store: Store, clean: Store) -> Difference:
    """Compare a store with one that was made by a clean read of the same files."""
    found, wanted = (one.events().drop(WHERE).collect() for one in (store, clean))
    refused, rightly = (one.rejects().select(_REJECT).collect() for one in (store, clean))
    stored = raw(store)
    made, right = facts(store), facts(clean)
    return Difference(
        events=wanted.height,
        lost=_only_in(wanted, found),
        extra=_only_in(found, wanted),
        stored=stored.height,
        repeated=stored.height - stored.unique(_ONE_ROW).height,
        rejects_lost=_only_in(rightly, refused),
        rejects_extra=_only_in(refused, rightly),
        facts=[name for name, frame in right.items() if not made[name].equals(frame)],
    )


def raw(store: Store) -> pl.DataFrame:
    """Rows as they lie in the tables, nothing made one.

    All rows of `events`; of `restated` those that stand, as there rows of a file that was read anew stay, unseen.
    """
    events, restated, progress = (
        pl.scan_delta(str(store.folder / name)) for name in ("events", "restated", "progress")
    )
    anew = (
        progress.select(pl.col("replaces").str.json_decode(pl.List(pl.String)).alias("file"), "load")
        .explode("file")
        .group_by("file")
        .agg(pl.col("load").max().alias("anew_in"))
    )
    stands = pl.col("anew_in").is_null() | (pl.col("load") >= pl.col("anew_in"))
    heads = restated.join(anew, on="file", how="left").filter(stands)
    return pl.concat([events.select(_ONE_ROW), heads.select(_ONE_ROW)]).collect()


def _only_in(left: pl.DataFrame, right: pl.DataFrame) -> int:
    """Rows of one frame that the other has not, or not so often."""
    columns = left.columns
    counted = [frame.group_by(columns).len("times") for frame in (left, right)]
    both = counted[0].join(counted[1], on=columns, how="left", nulls_equal=True, suffix="_there")
    more = pl.col("times").cast(pl.Int64) - pl.col("times_there").cast(pl.Int64).fill_null(0)
    return both.select(more.clip(0).sum()).item()

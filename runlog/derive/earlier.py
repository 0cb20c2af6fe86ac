"""What derivation knows of the time before the events it is given, where they do not begin at the beginning.

Nothing, as a rule: then what the events themselves say is all there is. `onward` fills it from facts that stand.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import polars as pl

from runlog.derive.frames import BY
from runlog.schema import COUNT, CYCLES, INSTANT, MARKS, TEXT

FIRST: Final = "first event"
HORIZON: Final = "horizon"
SERVES: Final = "feeder responses"
JUMPS: Final = "LENGTH REMAINING jumps"
QUALITY: Final = "quality measured"
RELOADS_BY: Final = "reloads told by evidence "
"""Marks; the last is followed by the evidence's place in the order of trust."""

BEGINS: Final = pl.Schema({BY: TEXT, "begins": INSTANT})
CUTS: Final = pl.Schema({BY: TEXT, "cut": INSTANT})
LOADS: Final = pl.Schema({BY: TEXT, "start": INSTANT, "end": INSTANT})
MADE: Final = pl.Schema({"job": TEXT, "at": INSTANT, "made": COUNT})


@dataclass(frozen=True)
class Earlier:
    """What is known from before.

    Attributes
    ----------
    first : datetime or None
        First event of the whole log; None if it is among the events given.
    begins : LazyFrame
        machine, begins: of machines that lived before, from when their events are given.
    cuts : LazyFrame
        machine, cut: facts from then on are wanted, those before stand.
    cycles : LazyFrame
        CYCLES before the cut.
    loads : LazyFrame
        machine, start, end: reloads before the cut that brought a bar, since the magazine was last noted as filled.
    made : LazyFrame
        job, at, made: good parts of jobs with an order before the cut; the first row of a job may count many.
    marks : LazyFrame
        MARKS.
    """

    first: datetime | None
    begins: pl.LazyFrame
    cuts: pl.LazyFrame
    cycles: pl.LazyFrame
    loads: pl.LazyFrame
    made: pl.LazyFrame
    marks: pl.LazyFrame

    def keyed(self, key: pl.DataType) -> "Earlier":
        """The same with the machine column of derivation."""
        by = pl.col(BY).cast(key)
        return Earlier(
            self.first,
            self.begins.with_columns(by),
            self.cuts.with_columns(by),
            self.cycles.with_columns(by),
            self.loads.with_columns(by),
            self.made,
            self.marks.with_columns(by),
        )

    def ever(self, mark: str) -> pl.LazyFrame:
        """Machines that were marked so: machine."""
        return self.marks.filter(pl.col("mark") == mark).select(BY)

    def wanted(self, rows: pl.LazyFrame, at: str = "at") -> pl.LazyFrame:
        """Rows from the machine's cut on; all of a machine without one."""
        return (
            rows.join(self.cuts, on=BY, how="left", maintain_order="left")
            .filter(pl.col("cut").is_null() | (pl.col(at) >= pl.col("cut")))
            .drop("cut")
        )


NOTHING: Final = Earlier(
    None,
    pl.LazyFrame(schema=BEGINS),
    pl.LazyFrame(schema=CUTS),
    CYCLES.empty(),
    pl.LazyFrame(schema=LOADS),
    pl.LazyFrame(schema=MADE),
    MARKS.empty(),
)
"""The events given begin at the beginning."""


def marked(rows: pl.LazyFrame, mark: str) -> pl.LazyFrame:
    """The first of some instants of each machine as a mark (MARKS)."""
    return rows.group_by(BY).agg(at=pl.col("at").min()).select(BY, mark=pl.lit(mark), at="at")

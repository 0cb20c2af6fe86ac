"""What shifts add up to, over the quarter a review of a week looks back on: added up once, for every question.

sums = shift_sums(facts)            a row a machine and shift
sums.of("T01")                      those of one machine
"""

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final, Self

import polars as pl

from runlog.figures.groups import SHIFT, in_shifts
from runlog.figures.period import Period
from runlog.figures.rollup import summed, totals
from runlog.figures.stock import ACCOUNTED
from runlog.figures.window import Facts

QUARTER: Final = timedelta(weeks=13)

REMNANT: Final = ("loaded_mm", "remnant_mm", "planned_remnant_mm")
"""Lengths that are added up, of bars that have an account."""
ENDED: Final = ("machine", "finished_at", "used_mm", *REMNANT)
"""Columns of BARS that it takes."""


@dataclass(frozen=True)
class ShiftSums:
    """Sums of machines' shifts.

    Attributes
    ----------
    figures : DataFrame
        machine, shift_date, shift and `rollup.TOTALS`.
    remnants : DataFrame
        machine, shift_date, shift and REMNANT of the bars that ended in it and have an account.
    """

    figures: pl.DataFrame
    remnants: pl.DataFrame

    def of(self, machine: str) -> Self:
        """Those of a machine."""
        figures, remnants = (rows.filter(pl.col("machine") == machine) for rows in (self.figures, self.remnants))
        return replace(self, figures=figures, remnants=remnants)


def shift_sums(facts: Facts) -> ShiftSums:
    """Add up the figures and the bars of each shift.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        shift_figures, shift_plans and bars (of which ENDED are read).
    """
    figures, plans = facts["shift_figures"], facts["shift_plans"]
    known = facts["bars"].filter(ACCOUNTED).select("machine", "finished_at", *REMNANT)
    ended = in_shifts(known, plans, at="finished_at")
    return ShiftSums(
        *pl.collect_all(
            [
                summed(totals(figures, plans), *SHIFT),
                ended.group_by(SHIFT, maintain_order=True).agg(pl.col(REMNANT).sum()),
            ]
        )
    )


def quarter_to(period: Period) -> Period:
    """The thirteen weeks up to the end of a period."""
    return replace(period, first=period.last - QUARTER + timedelta(days=1))

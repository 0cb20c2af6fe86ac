"""Groups counted from numbers are those counted row by row from texts."""

from collections import defaultdict

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.figures.judging import BY_HOURS, BY_RELOADS
from runlog.figures.tally import Tally

NAMES = ("liner", "job")
ROW = st.tuples(
    st.sampled_from(["T01", "T02"]),
    st.integers(1, 3),
    st.sampled_from([None, "a", "b"]),
    st.sampled_from([None, "a", "c", "d"]),
    st.integers(0, 3),
    st.integers(0, 4),
)


def frame(rows: list[tuple]) -> pl.DataFrame:
    columns = ("machine", "day", *NAMES, "faults", "chances")
    return pl.DataFrame(rows, schema=columns, orient="row").select(
        "machine",
        "faults",
        *(pl.col(name).cast(pl.String) for name in NAMES),
        shift_date=pl.date(2026, 3, pl.col("day")),
        shift=pl.lit("night"),
        chances=pl.col("chances").cast(pl.Float64),
    )


def plainly(rows: list[tuple], place: int) -> dict[str, tuple]:
    """By group of one dimension: faults, chances, those of the rest, shifts and bad shifts of both."""
    known = [row for row in rows if row[2 + place] is not None]
    found = {}
    for group in {row[2 + place] for row in known}:
        sides = []
        for inside in (True, False):
            faults, chances = defaultdict(int), 0
            for machine, day, *groups, bad, tried in known:
                if (groups[place] == group) is inside:
                    faults[machine, day] += bad
                    chances += tried
            sides.append((sum(faults.values()), chances, len(faults), sum(map(bool, faults.values()))))
        found[group] = tuple(sides)
    return found


def told(table: pl.DataFrame, dimension: str) -> dict[str, tuple]:
    columns = ("faults", "chances", "units", "units_with_fault")
    rows = table.filter(dimension=dimension).iter_rows(named=True)
    return {
        row["group"]: tuple(tuple(row[f"{side}{name}"] for name in columns) for side in ("", "rest_")) for row in rows
    }


@settings(max_examples=60, deadline=None)
@given(st.lists(ROW, min_size=1, max_size=25))
def test_groups_are_counted_as_by_hand(rows):
    tally = Tally.of(frame(rows), NAMES)
    for measure in (BY_RELOADS, BY_HOURS):
        table = tally.counted(NAMES, measure)
        for place, name in enumerate(NAMES):
            assert told(table, name) == plainly(rows, place)


@settings(max_examples=60, deadline=None)
@given(st.lists(ROW, min_size=1, max_size=25))
def test_some_rows_are_counted_as_if_there_were_no_others(rows):
    tally = Tally.of(frame(rows), NAMES)
    inside = tally.inside("liner", "a").counted(["job"], BY_RELOADS)
    assert told(inside, "job") == plainly([row for row in rows if row[2] == "a"], 1)
    without = tally.without([("liner", "a"), ("job", "c")]).counted(["liner"], BY_RELOADS)
    assert told(without, "liner") == plainly([row for row in rows if row[2:4] != ("a", "c")], 0)


def test_groups_that_share_nearly_all_are_found():
    """Liner a and job c share 9 of the 10 reloads that either has, and so do liner b and job d."""
    rows = [("T01", 1, "a", "c", 0, 9), ("T01", 1, "a", "d", 0, 1), ("T01", 2, "b", "d", 0, 9)]
    tally = Tally.of(frame(rows), NAMES)
    found = tally.overlaps([("liner", "a"), ("liner", "b")], NAMES, 0.9)
    assert [one[:4] for one in found] == [("liner", "a", "job", "c"), ("liner", "b", "job", "d")]
    assert [one[4] for one in found] == pytest.approx([0.9, 0.9])
    assert tally.overlaps([("liner", "a")], NAMES, 0.91) == []

"""The night in slots: what fills most of a slot stands for it, and a bar change within production is marked."""

from datetime import UTC, datetime, timedelta

import polars as pl

from runlog.figures.night import Window
from runlog.figures.slots import BAR_CHANGE, slots

START = datetime(2026, 3, 2, 21, tzinfo=UTC)
HOUR = Window(
    night=START.date(),
    start=START,
    end=START + timedelta(hours=1),
    seen_to=START + timedelta(minutes=50),
    log_end=START + timedelta(minutes=50),
    zone="UTC",
    attended=False,
)


def strip(*pieces: tuple[str, int, int]) -> pl.DataFrame:
    """A strip of T01 from (kind, minute it starts, minute it ends)."""
    rows = [("T01", START + timedelta(minutes=a), START + timedelta(minutes=b), kind) for kind, a, b in pieces]
    schema = {
        "machine": pl.String,
        "start": pl.Datetime("us", "UTC"),
        "end": pl.Datetime("us", "UTC"),
        "kind": pl.String,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def kinds(*pieces: tuple[str, int, int], minutes: int = 10) -> list[tuple[int, str]]:
    drawn = slots(strip(*pieces), HOUR, timedelta(minutes=minutes))
    return list(drawn.select("slot", "kind").iter_rows())


def test_a_slot_is_what_fills_most_of_it():
    """0-14 produces: slot 0 whole, slot 1 for four of ten minutes only; 50-60 has no log."""
    assert kinds(("producing", 0, 14), ("stopped", 14, 50)) == [
        (0, "producing"),
        (1, "stopped"),
        (2, "stopped"),
        (3, "stopped"),
        (4, "stopped"),
    ]


def test_pieces_of_one_kind_count_together():
    """Slot 0: stopped 3 + 3 min against 4 min of production."""
    assert kinds(("stopped", 0, 3), ("producing", 3, 7), ("stopped", 7, 10)) == [(0, "stopped")]


def test_a_bar_change_within_production_is_marked_and_a_long_one_is_a_reload():
    assert kinds(("producing", 0, 4), ("reloading", 4, 5), ("producing", 5, 10)) == [(0, BAR_CHANGE)]
    assert kinds(("producing", 0, 2), ("reloading", 2, 10)) == [(0, "reloading")]
    assert kinds(("reloading", 0, 1), ("stopped", 1, 10)) == [(0, "stopped")]


def test_of_two_that_fill_a_slot_alike_production_is_named_first():
    assert kinds(("stopped", 0, 5), ("producing", 5, 10)) == [(0, "producing")]


def test_the_last_slot_is_cut_off_by_the_end_of_the_window():
    """60 min in slots of 25 min: 25, 25 and 10."""
    assert kinds(("producing", 0, 60), minutes=25) == [(0, "producing"), (1, "producing"), (2, "producing")]

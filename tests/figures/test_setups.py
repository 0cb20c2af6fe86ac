"""Changeovers by hand, and beside them the planned time to set the feeder up."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from derive.literal import SITE

from runlog.figures.setups import changeover_rows, compared, longest_work
from runlog.schema import CHANGEOVERS, RELOADS, SHIFT_PLANS
from runlog.site import Site, parse_site

SHOP = parse_site(f"{SITE}\n[changeover]\nsize_s = 60\npusher_s = 120\nliner_s = 600\ncollet_s = 240\n")
"""Size 60; and pusher 180; and liner 780; and collet 1020 s."""
NOON = datetime(2026, 1, 13, 12, tzinfo=UTC)
UNPLANNED = {"setup": None, "planned_least_s": None, "planned_most_s": None}


def frame(table, *rows: dict) -> pl.LazyFrame:
    return pl.LazyFrame([dict.fromkeys(table.columns) | row for row in rows], schema=table.schema)


def minutes(number: float) -> datetime:
    return NOON + timedelta(minutes=number)


def changeover(what: str, waiting: float = 10, working: float = 20, at: float = 0, **given) -> dict:
    """From pin to cap, in minutes after noon."""
    return {
        "machine": "T01", "from_job": "pin", "to_job": "cap", "start": minutes(at),
        "end": minutes(at + waiting + working), "what_changed": what, "waiting_s": 60.0 * waiting,
        "working_s": 60.0 * working,
    } | given  # fmt: skip


def bar(at: float, job: str, liner: str | None, pusher: str | None, machine: str = "T01") -> dict:
    """A bar change in minutes after noon, with what was noted then."""
    return {"machine": machine, "start": minutes(at), "job": job, "liner": liner, "pusher": pusher}


def rows_of(changeovers: list[dict], bars: list[dict] = [], site: Site = SHOP) -> pl.LazyFrame:  # noqa: B006
    plans = [
        {"machine": name, "shift_date": date(2026, 1, 13), "shift": "day", "shift_start": minutes(-360)}
        for name in ("T01", "T02")
    ]
    facts = {
        "changeovers": frame(CHANGEOVERS, *changeovers),
        "reloads": frame(RELOADS, *bars),
        "shift_plans": frame(SHIFT_PLANS, *plans),
    }
    return changeover_rows(facts, site)


def planned(what: str, *bars: dict, site: Site = SHOP) -> dict:
    """Of one changeover from 12:00 to 12:30."""
    (row,) = rows_of([changeover(what)], list(bars), site).select(*UNPLANNED).collect().to_dicts()
    return row


def test_changeovers_are_compared_by_what_changed():
    """Two of a diameter, 30 + 60 and 10 + 20 min; one of the part alone, 5 + 15 min."""
    rows = rows_of(
        [changeover("diameter, part", 30, 60), changeover("diameter, part", 10, 20), changeover("part", 5, 15)]
    )
    got = compared(rows).collect()
    assert got.select("what_changed", "changeovers", "total_s", "waiting_share", "median_s", "longest_s").rows() == [
        ("diameter, part", 2, 7200.0, pytest.approx(1 / 3), 3600.0, 5400.0),
        ("part", 1, 1200.0, 0.25, 1200.0, 1200.0),
    ]


@pytest.mark.parametrize("what", ["diameter, part", "section, part", "diameter, material, section, feed mode, part"])
def test_another_bar_size_asks_for_its_setting_and_may_ask_for_all(what: str):
    assert planned(what) == {"setup": "size setting only", "planned_least_s": 60, "planned_most_s": 1020}


@pytest.mark.parametrize("what", ["part", "material, part", "feed mode, part"])
def test_nothing_is_planned_where_the_bar_size_stays(what: str):
    assert planned(what) == UNPLANNED


def test_notes_tell_which_pusher_and_liner_were_exchanged():
    """The last bar of pin at 11:50, the first of cap at 12:40."""
    old = bar(-10, "pin", "L24", "P18")
    assert planned("diameter, part", old, bar(40, "cap", "L24", "P22")) == {
        "setup": "size, pusher", "planned_least_s": 180, "planned_most_s": 1020,
    }  # fmt: skip
    assert planned("diameter, part", old, bar(40, "cap", "L28", "P18")) == {
        "setup": "size, pusher, liner", "planned_least_s": 780, "planned_most_s": 1020,
    }  # fmt: skip
    assert planned("diameter, part", old, bar(40, "cap", "L24", "P18"))["setup"] == "size setting only"


def test_a_liner_exchanged_for_the_same_size_is_planned_without_the_collet():
    got = planned("part", bar(-10, "pin", "L24", "P18"), bar(40, "cap", "L28", "P18"))
    assert got == {"setup": "size, pusher, liner", "planned_least_s": 780, "planned_most_s": 780}


@pytest.mark.parametrize(
    "bars",
    [
        [bar(-10, "pin", None, None), bar(40, "cap", "L28", "P22")],
        [bar(-10, "pin", "L24", "P18"), bar(40, "cap", None, None)],
        [bar(40, "cap", "L28", "P22")],
        [bar(-10, "cap", "L24", "P18"), bar(40, "cap", "L28", "P22")],
        [bar(-10, "pin", "L24", "P18"), bar(40, "pin", "L28", "P22")],
        [bar(-10, "pin", "L24", "P18", machine="T02"), bar(40, "cap", "L28", "P22")],
    ],
    ids=[
        "not noted before",
        "not noted after",
        "no bar before",
        "another job before",
        "another job after",
        "elsewhere",
    ],
)
def test_what_was_not_noted_of_both_jobs_is_not_known(bars: list[dict]):
    assert planned("diameter, part", *bars)["setup"] == "size setting only"
    assert planned("part", *bars) == UNPLANNED


def test_the_bars_beside_the_changeover_count():
    """Exchanged before and after, but not in this one."""
    bars = [bar(-90, "pin", "L20", "P14"), bar(-10, "pin", "L24", "P18")]
    bars += [bar(30, "cap", "L24", "P18"), bar(90, "cap", "L28", "P22")]
    assert planned("part", *bars) == UNPLANNED


def test_a_site_file_without_the_section_plans_by_common_practice():
    """300, and up to 300 + 300 + 900 + 600 s."""
    got = planned("diameter, part", site=parse_site(SITE))
    assert (got["planned_least_s"], got["planned_most_s"]) == (300, 2100)


def test_plans_are_summed_over_those_that_have_one():
    """Of the part: 20 min without and 40 min with a noted liner. Of the diameter: two of 60 to 1020 s."""
    bars = [bar(-10, "pin", "L24", "P18"), bar(55, "cap", "L28", "P18")]
    rows = rows_of(
        [
            changeover("part", 10, 40),
            changeover("part", 10, 20, machine="T02"),
            changeover("diameter, part", 0, 30, at=100),
            changeover("diameter, part", 0, 10, at=200),
            changeover("material, part", 0, 10, at=300),
        ],
        bars,
    )
    got = {row["what_changed"]: row for row in compared(rows).collect().to_dicts()}
    names = ("changeovers", "planned_changeovers", "planned_working_s", "planned_least_s", "planned_most_s")
    assert {what: tuple(row[name] for name in names) for what, row in got.items()} == {
        "part": (2, 1, 2400, 780, 780),
        "diameter, part": (2, 2, 2400, 120, 2040),
        "material, part": (1, 0, None, None, None),
    }


def test_the_longest_work_comes_first():
    rows = rows_of([changeover("part", 0, number, at=100 * number) for number in range(1, 13)])
    assert longest_work(rows).collect()["working_s"].to_list() == [60.0 * number for number in range(12, 2, -1)]

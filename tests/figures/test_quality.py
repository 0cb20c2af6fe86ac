"""Scrap lists: what they measure, what they replace, what does not fit."""

from datetime import date

import polars as pl
from derive.literal import SITE, log

from runlog.derive import derive
from runlog.figures.quality import scrap_problems, with_scrap
from runlog.figures.rollup import rolled_up
from runlog.figures.window import Facts
from runlog.schema import SCRAP
from runlog.site import parse_site

TEN_PARTS = "0 avail AVAILABLE\n0 mode AUTOMATIC\n0 program O1\n0 count 0\n0 exec ACTIVE\n" + "".join(
    f"{100 * n} count {n}\n" for n in range(1, 51)
)
"""A part every 100 s from 22:00: 35 in the night (to 23:00), 15 in the shift after."""
COUNTED = "0 good 0\n0 bad 0\n" + TEN_PARTS + "1000 bad 1\n2000 bad 2\n5000 good 48"
NIGHT = {"machine": "T01", "shift_date": date(2026, 1, 12), "shift": "night", "job": "pin"}


def facts_of(text: str) -> dict[str, pl.LazyFrame]:
    return dict(derive(log(text), parse_site(SITE)))


def scrap(*rows: dict) -> pl.LazyFrame:
    return pl.LazyFrame([dict.fromkeys(SCRAP.columns) | row for row in rows], schema=SCRAP.schema)


def good(facts: Facts) -> dict[str, int | None]:
    return dict(facts["shift_figures"].select("shift", "good_parts").collect().iter_rows())


def test_a_list_measures_the_shifts_it_names():
    """Night: 35 made, 2 + 1 bad. The other shift stays not measured; together 32 of 35, of 70 % of the parts."""
    listed = scrap(NIGHT | {"quantity": 2, "reason": "burr"}, NIGHT | {"quantity": 1, "reason": "short"})
    facts = with_scrap(facts_of(TEN_PARTS), listed)
    assert good(facts) == {"night": 32, "day": None}
    got = rolled_up(facts["shift_figures"]).collect().row(0, named=True)
    assert (got["quality_ratio"], got["quality_share"], got["good_parts"]) == (32 / 35, 0.7, None)


def test_nothing_bad_counts():
    assert good(with_scrap(facts_of(TEN_PARTS), scrap(NIGHT | {"quantity": 0})))["night"] == 35


def test_a_persons_word_stands_over_a_counter_and_the_difference_is_said():
    """The counter says 2 of 35 bad; the list, after gauging, 5."""
    facts = facts_of(COUNTED)
    assert good(facts) == {"night": 33, "day": 15}
    listed = scrap(NIGHT | {"quantity": 5})
    assert good(with_scrap(facts, listed)) == {"night": 30, "day": 15}
    problem = scrap_problems(facts, listed).row(0, named=True)
    assert (problem["scrap"], problem["counted"]) == (5, 2)
    assert "the list stands" in problem["problem"]


def test_more_scrap_than_parts_is_not_measured():
    listed = scrap(NIGHT | {"quantity": 36})
    assert good(with_scrap(facts_of(TEN_PARTS), listed)) == {"night": None, "day": None}
    assert scrap_problems(facts_of(TEN_PARTS), listed)["problem"].to_list() == ["more scrap than parts: not measured"]


def test_scrap_of_a_job_that_did_not_run_is_said_and_changes_nothing_else():
    """The night is named, so its pins are measured; of caps none were made there."""
    listed = scrap(NIGHT | {"job": "cap", "quantity": 1})
    assert good(with_scrap(facts_of(TEN_PARTS), listed))["night"] == 35
    assert "no such job" in scrap_problems(facts_of(TEN_PARTS), listed)["problem"].item()


def test_without_lists_nothing_changes():
    facts = facts_of(COUNTED)
    assert good(with_scrap(facts, SCRAP.empty())) == good(facts)
    assert scrap_problems(facts, SCRAP.empty()).height == 0

"""Endurance from facts: what counts as a stop, what only as having lasted so long."""

from datetime import timedelta

import polars as pl
import pytest
from figures.runs import SITE, START, night, night_facts

from runlog.errors import RunlogError
from runlog.figures.endurance import endurance
from runlog.figures.run_history import run_history


def row(found, group: str) -> dict:
    return found.groups.row(by_predicate=pl.col("group") == group, named=True)


def test_only_night_ending_stops_are_stops():
    """One of six stops, at 2 h; the others were last seen at 1, 3, 4, 5 and 8 h. Five are watched at 2 h: 4/5 go on."""
    found = endurance(
        night_facts(
            night("T01", 0, 1.0, "visit"),
            night("T01", 1, 2.0, "stop", "misfeed"),
            night("T01", 2, 3.0, "no signal"),
            night("T01", 3, 4.0, "out of bars", "magazine empty"),
            night("T01", 4, 5.0, "order complete", "count reached"),
            night("T01", 5, 8.0),
        ),
        SITE,
    )
    assert (row(found, "all")["stops"], row(found, "all")["runs"]) == (1, 6)
    (step,) = found.curves.filter(pl.col("dimension") == "plant").to_dicts()
    assert (step["length"], step["at_risk"], step["surviving"]) == (2.0, 5, pytest.approx(0.8))
    assert {one["cause"] for one in found.causes.to_dicts()} == {"misfeed", "out of bars", "order complete"}
    assert "too few to tell" in row(found, "all")["finding"]


def test_a_run_still_going_at_the_end_of_the_log_counts_up_to_there():
    found = endurance(night_facts(night("T01", 0, 3.0, None), night("T01", 1, 2.0, "stop", "misfeed")), SITE)
    assert found.running == 1
    assert found.curves["surviving"].to_list()[0] == pytest.approx(0.5)


def test_length_in_reloads_leaves_out_the_attempt_at_an_empty_magazine():
    facts = night_facts(
        night("T01", 0, 4.0, "out of bars", "magazine empty", reloads=7),
        night("T01", 1, 4.0, "stop", "misfeed", reloads=7),
    )
    assert run_history(facts, SITE)["reloads"].to_list() == [6, 7]
    assert row(endurance(facts, SITE, unit="reloads"), "all")["longest"] == 7


def test_groups_are_machines_jobs_and_diameters():
    facts = night_facts(
        *(night("T01", n, 1.0 + n / 10, "stop", "misfeed", job="pin") for n in range(8)),
        *(night("T02", n) for n in range(8)),
    )
    found = endurance(facts, SITE)
    assert {(one["dimension"], one["group"]) for one in found.groups.to_dicts()} == {
        ("plant", "all"), ("machine", "T01"), ("machine", "T02"), ("job", "pin"), ("job", "bush"),
        ("diameter", "32.5 mm"), ("diameter", "20 mm"),
    }  # fmt: skip
    # Eight of T01 stop between 1.0 and 1.7 h: half of them by the fourth, a tenth by the first.
    assert (row(found, "T01")["median"], row(found, "T01")["tenth"]) == (pytest.approx(1.3), 1.0)
    assert row(found, "T02")["median"] is None
    assert "none did in runs of up to 8.0 h" in row(found, "T02")["finding"]
    assert all(one["p"] < 0.001 for one in found.compared.to_dicts())


def test_days_are_those_on_which_windows_began():
    facts = night_facts(*(night("T01", n) for n in range(100)))
    assert endurance(facts, SITE).runs == 91
    day = START.date()
    assert endurance(facts, SITE, first=day, last=day + timedelta(days=1)).runs == 2
    with pytest.raises(RunlogError, match="a first day not after the last"):
        endurance(facts, SITE, first=day, last=day - timedelta(days=1))


def test_no_runs_at_all():
    found = endurance(night_facts(), SITE)
    assert (found.runs, found.groups.height, found.causes.height, found.first) == (0, 0, 0, None)
    assert all(one["p"] is None for one in found.compared.to_dicts())


def test_one_run_that_did_not_stop_is_no_certainty():
    """One of one: exact lower limit 0.025; of forty 0.025^(1/40) = 0.912."""
    few, many = (
        endurance(night_facts(*(night("T01", n) for n in range(count))), SITE).shares.filter(pl.col("group") == "all")
        for count in (1, 40)
    )
    assert few["low"].to_list() == pytest.approx([0.025] * 4)
    assert many["low"].to_list() == pytest.approx([0.025 ** (1 / 40)] * 4)

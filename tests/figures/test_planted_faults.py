"""What the invented shop has planted comes out with the right verdict, and nothing else does."""

from datetime import date

import polars as pl
import pytest
from figures.shop import shop

from runlog.figures.alarm_load import alarm_load
from runlog.figures.fault_health import fault_health
from runlog.figures.reload_durations import reload_durations
from runlog.figures.reload_health import reload_health

pytestmark = pytest.mark.slow

WEEKS, MACHINES = 9, 6


@pytest.fixture(scope="module")
def made():
    """Nine weeks of six machines: T01 misfeeds 20 mm bars, T03 has a flood, reloads of T04 drift."""
    facts, site, _ = shop(seed=11, days=7 * WEEKS, machines=MACHINES)
    return facts, site


def test_the_chronic_pair_is_found_and_nothing_else_is_called(made):
    facts, site = made
    health = reload_health(facts, site)
    chronic = health.groups.filter(pl.col("verdict") == "chronic")
    assert {("machine", "T01"), ("diameter", "20 mm")} <= set(chronic.select("dimension", "group").rows())
    (through,) = chronic["through"].unique().to_list()
    assert "machine T01" in through
    # The other half of the pair is the size, or what always goes with it.
    assert any(word in through for word in ("diameter 20 mm", "liner L24", "pusher P18"))


def test_misfeeds_are_chronic_on_the_same_pair_and_steady_over_time(made):
    facts, site = made
    health = fault_health(facts, site, "misfeed")
    chronic = health.groups.filter(pl.col("verdict") == "chronic")
    assert ("machine", "T01") in chronic.select("dimension", "group").rows()
    assert chronic["through"].null_count() == 0
    assert set(health.trends["verdict"]) <= {"steady", "too few to tell"}
    assert set(health.steps["verdict"]) <= {"steady"}


@pytest.mark.parametrize("cause", ["tool broken", "tool life ended", "catcher full", "swarf nest", "drive fault"])
def test_causes_that_are_alike_everywhere_are_chance(made, cause):
    facts, site = made
    health = fault_health(facts, site, cause)
    assert health.groups.filter(pl.col("verdict") == "chronic").height == 0
    assert set(health.trends["verdict"]) <= {"steady", "too few to tell"}
    assert set(health.steps["verdict"]) <= {"steady"}


def test_the_drift_of_reload_times_is_found_on_its_machine_only(made):
    facts, _ = made
    series = reload_durations(facts).series
    changed = series.filter(pl.col("verdict").is_in(["step", "drift", "change of job"]))
    assert set(changed["machine"]) == {"T04"}
    assert set(changed["verdict"]) == {"drift"}
    assert set(changed["direction"]) == {"longer"}
    assert changed["noticed"].min() < date(2026, 11, 16)  # six weeks of nine  # type: ignore[operator]


def test_the_flood_is_found_with_what_came_first(made):
    facts, _ = made
    load = alarm_load(facts)
    flood = load.floods.row(0, named=True)
    assert (load.floods.height, flood["machine"], flood["first_code"], flood["alarms"]) == (1, "T03", "3001", 17)
    assert load.chattering.height == 0
    counts = load.frequent.select("first_out", "consequence", "no_stop").sum_horizontal()
    assert counts.to_list() == load.frequent["alarms"].to_list()

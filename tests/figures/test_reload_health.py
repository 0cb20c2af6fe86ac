"""Chronic, burst or chance: shops of a few reloads, counted by hand."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from runlog.figures.judging import chances_to_decide
from runlog.figures.reload_groups import rated_reloads
from runlog.figures.reload_health import ReloadHealth, reload_health
from runlog.schema import CHANGEOVERS, RELOADS, SHIFT_PLANS
from runlog.site import parse_site

SITE = parse_site('[site]\nname = "shop"\ntime_zone = "UTC"\n[[machine]]\nname = "T01"\n[[machine]]\nname = "T02"\n')
DAY = datetime(2026, 3, 2, 22, tzinfo=UTC)


def night(machine: str, day: int, outcomes: str, **columns: object) -> list[dict]:
    """Reloads of one night, ten minutes apart: a letter each: c clean, r retried, f failed, e empty, u unclear."""
    words = {"c": "clean", "s": "slow", "r": "retried", "f": "failed", "e": "empty", "u": "unclear"}
    start = DAY + timedelta(days=day)
    return [
        {"machine": machine, "start": start + timedelta(minutes=10 * number), "outcome": words[letter]}
        | {"hand_load": False, "bar_position": number + 1, "run_hour": number / 6}
        | columns
        for number, letter in enumerate(outcomes)
    ]


def facts(*nights: list[dict], changeovers: list[dict] | None = None) -> dict[str, pl.LazyFrame]:
    rows = [row for one in nights for row in one]
    days = sorted({(row["machine"], row["start"].replace(hour=22, minute=0)) for row in rows})
    plans = [
        {"machine": machine, "shift_date": start.date(), "shift": "night", "shift_start": start}
        | {"shift_end": start + timedelta(hours=8)}
        for machine, start in days
    ]
    return {
        "reloads": RELOADS.conform(pl.LazyFrame(rows, schema_overrides=filled(RELOADS, rows))),
        "changeovers": CHANGEOVERS.conform(table(CHANGEOVERS, changeovers or [])),
        "shift_plans": SHIFT_PLANS.conform(table(SHIFT_PLANS, plans)),
    }


def table(schema, rows: list[dict]) -> pl.LazyFrame:
    return pl.LazyFrame([dict.fromkeys(schema.columns) | row for row in rows], schema=schema.schema)


def filled(schema, rows: list[dict]) -> pl.Schema:
    missing = set(schema.columns) - set(rows[0])
    for row in rows:
        row.update(dict.fromkeys(missing))
    return pl.Schema({name: schema.schema[name] for name in rows[0]})


def of(health: ReloadHealth, dimension: str, group: str) -> dict:
    found = health.groups.filter((pl.col("dimension") == dimension) & (pl.col("group") == group))
    return found.row(0, named=True)


def test_a_fault_on_many_nights_is_chronic():
    """T01: a fault on each of 8 nights of 10 reloads. T02: none on 8 nights. 8 of 8 shifts against 0 of 8."""
    health = reload_health(
        facts(
            *(night("T01", day, "ccccccrccc") for day in range(8)), *(night("T02", day, "c" * 10) for day in range(8))
        ),
        SITE,
    )
    one, other = of(health, "machine", "T01"), of(health, "machine", "T02")
    assert (one["faults"], one["reloads"], one["rate"], one["rest_rate"]) == (8, 80, 10.0, 0.0)
    assert (one["units_with_fault"], one["units"], one["rest_units_with_fault"], one["rest_units"]) == (8, 8, 0, 8)
    # All 8 nights with a fault among the 8 of T01 out of 16: 1 / C(16, 8).
    assert one["p"] == pytest.approx(1 / 12870)
    assert (one["verdict"], other["verdict"]) == ("chronic", "within chance")
    assert one["sentence"].startswith("8 faults in 80 reloads, 10.0 per 100 (")
    assert "A fault in 8 of 8 shifts, the others in 0 of 8: more than chance" in one["sentence"]
    assert health.groups["group"][0] == "T01"
    whole = of(health, "plant", "all")
    assert (whole["rate"], whole["rest_rate"], whole["p"]) == (5.0, None, None)


def test_many_faults_in_one_night_are_a_burst():
    nights = [night("T01", 0, "rrrrrrcccc"), *(night("T01", day, "c" * 10) for day in range(1, 20))]
    others = [night("T02", day, "c" * 20) for day in range(20)]
    one = of(reload_health(facts(*nights, *others), SITE), "machine", "T01")
    # By reloads it is clear: 6 of 200 against 0 of 400; by shifts it is 1 of 20 against 0 of 20.
    assert one["p_by_reloads"] < 0.002
    assert one["p"] == pytest.approx(0.5)
    assert one["verdict"] == "burst"


def test_a_shop_bad_all_over_is_above_its_goal():
    health = reload_health(
        facts(*(night(machine, day, "cccrcccccc") for machine in ("T01", "T02") for day in range(10))), SITE
    )
    for name in ("T01", "T02"):
        one = of(health, "machine", name)
        assert (one["rate"], one["rest_rate"]) == (10.0, 10.0)
        assert one["verdict"] == "above goal"
        assert "Above the goal of 1 per 100" in one["sentence"]


def test_few_reloads_are_too_few_to_tell_and_say_how_many_it_takes():
    health = reload_health(facts(night("T01", 0, "cccccccccr"), night("T02", 0, "c" * 49 + "r")), SITE)
    one = of(health, "machine", "T01")
    # 1 of 10, limits 0.3 to 44.5 per 100: holds the others' 2 and twice that.
    assert one["verdict"] == "too few to tell"
    assert "more reloads like these would" in one["sentence"]


def test_empty_and_unclear_are_counted_beside():
    health = reload_health(facts(night("T01", 0, "cceu"), night("T02", 0, "cccc")), SITE)
    one = of(health, "machine", "T01")
    assert (one["reloads"], one["unrated"], one["faults"]) == (2, 2, 0)


def test_two_groups_that_are_the_same_reloads_are_not_both_blamed():
    health = reload_health(
        facts(
            *(night("T01", day, "ccccrccccc", diameter_mm=12.0) for day in range(8)),
            *(night("T02", day, "c" * 10, diameter_mm=32.0) for day in range(8)),
        ),
        SITE,
    )
    assert of(health, "diameter", "12 mm")["verdict"] == "chronic"
    pairs = health.alike.select("dimension", "group", "other_dimension", "other_group", "share").rows()
    assert ("machine", "T01", "diameter", "12 mm", 1.0) in pairs


def test_only_the_last_thirteen_weeks_count_unless_asked():
    old, new = night("T01", 0, "rrrr"), night("T01", 14 * 7, "cccc")
    assert of(reload_health(facts(old, new), SITE), "machine", "T01")["faults"] == 0
    whole = reload_health(facts(old, new), SITE, first=DAY.date())
    assert of(whole, "machine", "T01")["faults"] == 4


def test_no_reloads_at_all():
    empty = {"reloads": RELOADS.empty(), "changeovers": CHANGEOVERS.empty(), "shift_plans": SHIFT_PLANS.empty()}
    health = reload_health(empty, SITE)
    assert (health.groups.height, health.alike.height, health.first) == (0, 0, None)


def test_places_in_the_magazine_hours_and_first_bars():
    """Two fillings of four bars; a changeover ends before the third bar of the first night."""
    changed = {"machine": "T01", "start": DAY + timedelta(minutes=11), "end": DAY + timedelta(minutes=15)}
    frames = facts(night("T01", 0, "cccc"), night("T01", 1, "cccc"), changeovers=[changed])
    rows = rated_reloads(frames["reloads"], frames["changeovers"], frames["shift_plans"]).collect()
    assert rows["bar position"].to_list() == ["first", "middle", "middle", "last"] * 2
    assert rows["after a changeover"].to_list() == [None, None, *["first 3 bars"] * 3, *["later bars"] * 3]
    assert rows["hour of the run"].unique().to_list() == ["first hour"]
    assert rows["shift_date"].unique().sort().to_list() == [date(2026, 3, 2), date(2026, 3, 3)]


def test_a_bar_that_failed_is_not_the_last_because_somebody_filled_up_after_it():
    frames = facts(night("T01", 0, "cccccc"), night("T01", 1, "ccf"), night("T01", 2, "cc"))
    rows = rated_reloads(frames["reloads"], frames["changeovers"], frames["shift_plans"]).collect()
    assert rows.filter("fault")["bar position"].to_list() == ["middle"]


def test_how_many_more_reloads_decide():
    """2 in 100 against 2 per 100: limits hold both 2 and 4 until they are narrow enough."""
    faults, chances, against = (np.array(one, float) for one in ([2, 0, 0], [100, 0, 50], [2.0, 2.0, 0.0]))
    more, *nothing_to_go_by = chances_to_decide(faults, chances, against)
    assert more > 100
    assert np.isnan(nothing_to_go_by).all()

"""What `runlog week` says has changed since the week was last shown."""

from datetime import UTC, date, datetime

import polars as pl
from figures.shop import shop, week_of

from runlog.figures.changes import changed, shown

NOW = datetime(2026, 10, 20, 7, tzinfo=UTC)


def test_nothing_changes_by_looking_twice():
    facts, site, _ = shop()
    week = week_of(facts, site)
    assert changed(shown(facts, week, NOW), shown(facts, week, NOW)).height == 0


def test_each_change_of_a_shift_is_said():
    """Two parts more and 120 s of production in the place of a stop; another shift lost its causes and its plan."""
    facts, site, _ = shop()
    before = shown(facts, week_of(facts, site), NOW)
    night = (pl.col("machine") == "T01") & (pl.col("shift_date") == date(2026, 10, 6)) & (pl.col("shift") == "night")
    now = before.with_columns(
        parts=pl.col("parts") + pl.when(night).then(2).otherwise(0),
        apt_s=pl.col("apt_s") + pl.when(night).then(120).otherwise(0),
    )
    told = changed(now, before).row(0, named=True)
    assert (told["machine"], told["shift"], told["shown_at"]) == ("T01", "night", NOW)
    old = before.filter(night).row(0, named=True)
    minutes = [round(s / 60, 1) for s in (old["apt_s"] + 120, old["apt_s"])]
    assert told["what"] == (
        f"parts {old['parts'] + 2}, were {old['parts']}; production {minutes[0]} min, were {minutes[1]}"
    )


def test_a_shift_that_came_or_went_is_said():
    facts, site, _ = shop()
    whole = shown(facts, week_of(facts, site), NOW)
    assert changed(whole, whole.tail(-1))["what"].to_list() == ["was not there before"]
    assert changed(whole.tail(-1), whole)["what"].to_list() == ["is no longer there"]


def test_quality_that_became_known_is_said():
    facts, site, _ = shop()
    before = shown(facts, week_of(facts, site), NOW)
    one = pl.struct("machine", "shift_date", "shift") == pl.struct("machine", "shift_date", "shift").first()
    known = before.with_columns(good_parts=pl.when(one).then(7).otherwise("good_parts"))
    assert changed(known, before)["what"].to_list() == ["good parts 7, were not measured"]

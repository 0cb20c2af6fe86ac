"""Spindle utilisation of a recorded two-spindle turning centre, against a plain-Python count."""

from collections import defaultdict
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from recorded import FOLDER, SITE, needs_recordings

from runlog.derive import derive
from runlog.distinct import distinct
from runlog.figures.cutting import idle_thresholds
from runlog.figures.period import period_of
from runlog.figures.shifts import shift_table
from runlog.intake import read_file

pytestmark = needs_recordings


@pytest.fixture(scope="module")
def events():
    paths = sorted((FOLDER / "lines").glob("*.txt"))
    now = datetime.now(UTC)
    readings = [read_file(path, SITE.source[0], SITE, now, base=FOLDER) for path in paths]
    return distinct(pl.concat([reading.events for reading in readings]).lazy()).collect()


def turning_by_day(events: pl.DataFrame) -> dict[tuple, float]:
    """Seconds per UTC day that each spindle turns, and both, while EXECUTION is ACTIVE: one event after the other."""
    wanted = {
        ("EXECUTION", "path"): "execution",
        ("ROTARY_VELOCITY", "main"): "main",
        ("ROTARY_VELOCITY", "sub"): "sub",
    }
    rows = events.filter(pl.col("item").is_in(["EXECUTION", "ROTARY_VELOCITY"])).sort(
        "at", "body_start", "file", "line", "cell"
    )
    held = {"execution": "", "main": 0.0, "sub": 0.0}
    seconds: dict[tuple, float] = defaultdict(float)
    before = None
    for item, component, at, text, number in rows.select("item", "component", "at", "text", "number").iter_rows():
        if before is not None and held["execution"] == "ACTIVE":
            turning = [name for name in ("main", "sub") if abs(held[name]) >= 1]
            turning += ["both"] if len(turning) == 2 else []
            for name in turning:
                for day, part in by_day(before, at):
                    seconds[day, name] += part
        before = at
        name = wanted[item, component]
        held[name] = text if name == "execution" else (number or 0.0)
    return seconds


def by_day(start: datetime, end: datetime):
    """Cut a stretch at UTC midnights: (day, seconds)."""
    while start < end:
        midnight = datetime(start.year, start.month, start.day, tzinfo=UTC) + timedelta(days=1)
        upto = min(midnight, end)
        yield start.date(), (upto - start).total_seconds()
        start = upto


def lost_by_day(events: pl.DataFrame, first: datetime, last: datetime) -> dict:
    """Seconds per UTC day without a signal (AVAILABILITY or EXECUTION UNAVAILABLE, or never told), event by event."""
    rows = events.filter(pl.col("item").is_in(["EXECUTION", "AVAILABILITY"]) & ~pl.col("head")).sort(
        "at", "body_start", "file", "line", "cell"
    )
    held = {"EXECUTION": "UNAVAILABLE", "AVAILABILITY": "AVAILABLE"}
    seconds: dict = defaultdict(float)
    before = first
    for item, at, text in [*rows.select("item", "at", "text").iter_rows(), ("end", last, "")]:
        if "UNAVAILABLE" in held.values():
            for day, part in by_day(before, at):
                seconds[day] += part
        before = max(before, at)
        held[item] = text
    return seconds


def test_utilisation_by_day_and_week_with_coverage(events):
    """Turning / PBT of both spindles, rolled up by day and by week, days with too little signal flagged."""
    facts = derive(events.lazy(), SITE)
    turned = turning_by_day(events)
    first, last = facts["spans"].select(pl.col("start").min(), pl.col("end").max()).collect().row(0)
    lost = lost_by_day(events, first, last)
    days = {day for day, _ in by_day(first, last)}
    period = period_of(facts, SITE, first=min(days), last=max(days))
    for by, group_of in (("day", lambda day: day), ("week", lambda day: f"{day:%G-W%V}")):
        table = {row[by]: row for row in shift_table(facts, SITE, period, (by,)).iter_rows(named=True)}
        busy, gone, spun = defaultdict(float), defaultdict(float), defaultdict(float)
        for day in days:
            length = 86_400 if day < max(days) else sum(part for _, part in by_day(period_start(day), last))
            busy[group_of(day)] += length
            # Before the first event nothing is known either.
            head = sum(part for _, part in by_day(period_start(day), first)) if day == min(days) else 0
            gone[group_of(day)] += lost[day] + head
            for name in ("main", "sub", "both"):
                spun[group_of(day), name] += turned.get((day, name), 0.0)
        assert table.keys() == busy.keys()
        for group, row in table.items():
            assert row["pbt_s"] == pytest.approx(busy[group], abs=1e-3)
            assert row["main_utilisation"] == pytest.approx(spun[group, "main"] / busy[group], abs=1e-9)
            assert row["sub_utilisation"] == pytest.approx(spun[group, "sub"] / busy[group], abs=1e-9)
            either = spun[group, "main"] + spun[group, "sub"] - spun[group, "both"]
            assert row["both_spindles"] == (pytest.approx(spun[group, "both"] / either, abs=1e-9) if either else None)
            assert row["coverage"] == pytest.approx(1 - gone[group] / busy[group], abs=1e-9)
            if by == "day":
                assert row["thin_shifts"] == (1 - gone[group] / busy[group] < 0.95)
    table = shift_table(facts, SITE, period, ("day",))
    # The machine was switched off for half of every day and more, so none escapes the flag.
    assert table.filter(pl.col("coverage") > 0).height >= 12
    assert table["thin_shifts"].to_list() == [1] * len(days)


def period_start(day) -> datetime:
    """Midnight, UTC: the recordings' site has no shifts, so a shift is a day."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def test_utilisation_of_both_spindles_per_day(events):
    figures = derive(events.lazy(), SITE)["shift_figures"].collect()
    expected = turning_by_day(events)
    assert len({day for day, _ in expected}) >= 12
    for name in ("main", "sub", "both"):
        got = dict(figures.group_by("shift_date").agg(pl.col(f"{name}_turning_s").sum()).rows())
        days = {day for day, which in expected if which == name} | {day for day, s in got.items() if s}
        assert {day: round(got[day], 3) for day in days} == {
            day: pytest.approx(expected[day, name], abs=1e-3) for day in days
        }
    assert (figures["pbt_s"] >= figures["no_signal_s"]).all()


def test_load_of_the_sub_spindle_against_a_plain_count(events):
    """Seconds at each load while it turns and executes, and the threshold: an idle heap and a cutting one."""
    rows = events.filter(
        (pl.col("item") == "EXECUTION")
        | (pl.col("item").is_in(["ROTARY_VELOCITY", "LOAD"]) & (pl.col("component") == "sub"))
    ).sort("at", "body_start", "file", "line", "cell")
    held = {"EXECUTION": "", "ROTARY_VELOCITY": 0.0, "LOAD": None}
    expected, before = defaultdict(float), None
    for item, at, text, number in rows.select("item", "at", "text", "number").iter_rows():
        turns = held["EXECUTION"] == "ACTIVE" and abs(held["ROTARY_VELOCITY"] or 0.0) >= 1
        if before is not None and turns and held["LOAD"] is not None:
            expected[round(held["LOAD"])] += (at - before).total_seconds()
        before = at
        held[item] = text if item == "EXECUTION" else number
    facts = derive(events.lazy(), SITE)
    sub = facts["shift_loads"].filter(pl.col("component") == "sub")
    got = dict(sub.group_by("load").agg(pl.col("seconds").sum()).collect().iter_rows())
    assert got == {load: pytest.approx(s, abs=1e-3) for load, s in expected.items() if s > 0}
    told = idle_thresholds(facts["shift_loads"]).filter(pl.col("component") == "sub").collect().row(0, named=True)
    assert 5 < told["threshold"] < 60
    assert told["hours"] == pytest.approx(sum(expected.values()) / 3600)

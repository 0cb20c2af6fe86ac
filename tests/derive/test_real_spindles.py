"""Spindle utilisation of a recorded two-spindle turning centre, against a plain-Python count."""

from collections import defaultdict
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from recorded import FOLDER, SITE, needs_recordings

from runlog.derive import derive
from runlog.distinct import distinct
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

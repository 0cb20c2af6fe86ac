"""Logs recorded at the NIST test bed, against figures of a separate plain-Python reading of the same rules.

The recordings are not part of the project: `RUNLOG_REAL_LOGS` names the folder, and without it these are skipped.
"""

import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from runlog.distinct import distinct
from runlog.intake import Reading, read_file
from runlog.site import parse_site

FOLDER = Path(os.environ.get("RUNLOG_REAL_LOGS", "nowhere"))
pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="RUNLOG_REAL_LOGS names no folder")

SITE = parse_site("""
[site]
name = "test bed"
time_zone = "America/New_York"
[[machine]]
name = "tcb"
[[machine]]
name = "mca"
[[source]]
name = "lines"
files = ["tcb-*.txt"]
machine = "tcb"
devices = "devices.xml"
[[source]]
name = "agent"
files = ["*.xml"]
""")
LINES, AGENT = SITE.source
READ_AT = datetime(2026, 1, 5, tzinfo=UTC)


def read_all(folder: str, **changes: Any) -> list[Reading]:
    source = (LINES if folder == "lines" else AGENT).model_copy(update=changes)
    return [read_file(path, source, SITE, READ_AT, base=FOLDER) for path in sorted((FOLDER / folder).iterdir())]


def account(readings: list[Reading]) -> dict[str, int]:
    counts = ("rows", "offered", "events", "rejects", "unchanged", "ignored")
    return pl.concat([reading.progress for reading in readings]).select(pl.col(counts).sum()).row(0, named=True)


@pytest.fixture(scope="module", params=[0, 120])
def lines(request: pytest.FixtureRequest) -> tuple[dict[str, Any], list[Reading]]:
    facts = json.loads((FOLDER / "facts.json").read_text())[f"clock_skew_{request.param}_s"]
    return facts, read_all("lines", clock_skew_s=float(request.param))


def execution(readings: list[Reading]) -> pl.DataFrame:
    events = pl.concat([reading.events for reading in readings]).filter(data_item="execution")
    return distinct(events.lazy()).collect()


def test_every_line_is_accounted_for(lines: tuple[dict[str, Any], list[Reading]]):
    facts, readings = lines
    total = account(readings)
    assert (total["rows"], total["offered"], total["rejects"]) == (facts["lines"], facts["lines"], 0)
    assert total["offered"] == total["events"] + total["rejects"] + total["unchanged"] + total["ignored"]


def test_execution_events_and_moves_agree(lines: tuple[dict[str, Any], list[Reading]]):
    facts, readings = lines
    events = execution(readings)
    assert events.height == facts["events"]
    assert events.filter(pl.col("at") != pl.col("stamped")).height == facts["moved"]
    assert (events["at"].min(), events["at"].max()) == tuple(
        map(datetime.fromisoformat, (facts["first"], facts["last"]))
    )


def test_hours_of_each_value_agree(lines: tuple[dict[str, Any], list[Reading]]):
    facts, readings = lines
    spans = execution(readings).select(
        "text", hours=(pl.col("at").shift(-1) - pl.col("at")).dt.total_microseconds() / 3.6e9
    )
    found = dict(spans.group_by("text").agg(pl.col("hours").sum()).rows())
    assert found == pytest.approx(facts["hours"], abs=0.5e-4 + 1e-9)


def test_seconds_of_each_day_agree(lines: tuple[dict[str, Any], list[Reading]]):
    facts, readings = lines
    spans = execution(readings).select("text", "at", until=pl.col("at").shift(-1)).drop_nulls()
    for day, expected in facts["days"].items():
        start = datetime.fromisoformat(day).replace(tzinfo=UTC)
        inside = pl.min_horizontal("until", start + timedelta(days=1)) - pl.max_horizontal("at", start)
        found = spans.with_columns(seconds=inside.dt.total_microseconds() / 1e6).filter(pl.col("seconds") > 0)
        assert dict(found.group_by("text").agg(pl.col("seconds").sum()).rows()) == pytest.approx(expected, abs=1e-3), (
            day
        )


def test_head_is_one_line_a_key_and_the_idle_day_is_all_head():
    readings = read_all("lines")
    heads = [reading.events["head"].sum() for reading in readings]
    assert set(heads) == {65}
    assert [reading.progress["path"].item() for reading in readings if reading.events["head"].all()] == [
        "tcb-20170430-20170501.txt"
    ]


def test_spindles_and_conditions_are_told_by_the_device_document():
    events = read_all("lines")[0].events
    places = dict(
        events.filter(pl.col("data_item").is_in(["Srpm", "S2rpm", "execution"])).select("data_item", "component").rows()
    )
    assert places == {"Srpm": "main", "S2rpm": "sub", "execution": "path"}
    conditions = events.filter(item="CONDITION")
    assert set(conditions["level"]) <= {"NORMAL", "WARNING", "FAULT", "UNAVAILABLE"}
    assert conditions["type"].null_count() == 0


def test_agent_documents_hold_86629_distinct_observations():
    readings = read_all("streams")
    total = account(readings)
    events = distinct(pl.concat([reading.events for reading in readings]).lazy()).collect()
    # Immediate repeats carry a sequence of their own and are not kept: 95 in these documents.
    assert (events.height + total["unchanged"], total["unchanged"]) == (86_629, 95)
    assert (total["rejects"], total["ignored"]) == (0, 0)


def test_a_truncated_document_gives_what_is_complete(tmp_path: Path):
    whole = (FOLDER / "streams" / "tcb-370.xml").read_bytes()
    half = whole[: len(whole) // 2]
    (tmp_path / "half.xml").write_bytes(half)
    counts = read_file(tmp_path / "half.xml", AGENT, SITE, READ_AT).progress.row(0, named=True)
    # Each observation has one sequence; the cut falls into the last one begun.
    assert counts["rejects"] == 1
    assert half.count(b" sequence=") - (counts["events"] + counts["unchanged"]) in (0, 1)

"""Recorded day files through the store: in any order and twice, each observation is there once."""

import json
import random

import polars as pl
import pytest
from recorded import FOLDER, SITE, needs_recordings

from runlog.pipeline import ingest
from runlog.store import Store

pytestmark = [needs_recordings, pytest.mark.slow]


def test_any_order_and_twice_gives_each_observation_once(tmp_path):
    facts = json.loads((FOLDER / "facts.json").read_text())["clock_skew_120_s"]
    store = Store(tmp_path)
    paths = sorted((FOLDER / "lines").glob("*.txt"))
    random.Random(7).shuffle(paths)
    reports = [ingest(portion, SITE, store, base=FOLDER) for portion in (paths[:8], paths[8:], paths)]
    assert sum(report.progress["rows"].sum() for report in reports[:2]) == facts["lines"]
    assert reports[2].progress.height == 0
    events = store.events().collect()
    execution = events.filter(pl.col("data_item") == "execution")
    assert execution.height == facts["events"]
    same = ["machine", "data_item", "stamped", "text", "code", "condition_id", "nth"]
    assert events.select(same).is_unique().all()
    spans = store.fact("spans").collect()
    # The head of the first file restates what was known at 05:00; the machine's time begins with its first body event.
    hours = (spans["end"] - spans["start"]).dt.total_microseconds().sum() / 3.6e9
    assert hours == pytest.approx(sum(facts["hours"].values()) - (7 + 41 / 60 + 37.252947 / 3600), abs=1e-3)

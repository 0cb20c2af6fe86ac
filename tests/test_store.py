"""The store: once is once, a step is whole or absent, and a kill at any instant changes nothing."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from runlog.errors import StoreError
from runlog.intake.reading import Reading
from runlog.schema import EVENTS, PROGRESS, REJECTS, SPANS, STOPS
from runlog.store import Store

DAY = datetime(2026, 3, 2, tzinfo=UTC)


def reading(
    file: str, minutes: Sequence[int], *, machine: str = "T01", heads: int = 0, moved_s: float = 0.0
) -> Reading:
    """A file with one observation a minute named; the first `heads` of them stand at its head."""
    stamped = [DAY + timedelta(minutes=minute) for minute in minutes]
    rows = pl.LazyFrame(
        {"stamped": stamped, "text": [str(minute) for minute in minutes]},
        schema_overrides={"stamped": EVENTS.schema["stamped"], "text": pl.String},
    ).with_columns(
        at=pl.col("stamped") + pl.duration(seconds=moved_s),
        head=pl.int_range(pl.len()) < heads,
        line=pl.int_range(pl.len()),
    )
    given = {"machine": machine, "item": "PART_COUNT", "sub_type": "ALL", "component": "path", "data_item": "parts"}
    given |= {"nth": 0, "cell": 0, "discrete": False, "source": "log", "file": file, "body_start": DAY}
    absent = {
        name: pl.lit(None) for name in EVENTS.columns if name not in {*given, "at", "stamped", "text", "head", "line"}
    }
    events = EVENTS.conform(rows.with_columns(**{name: pl.lit(value) for name, value in given.items()}, **absent))
    rejects = [
        {"source": "log", "file": file, "path": file, "line": 9, "cell": 0, "raw": "?", "reason": "no", "read_at": DAY}
    ]
    progress = {
        "source": "log",
        "machine": machine,
        "file": file,
        "path": file,
        "format": "csv",
        "begins": 0,
        "offset": len(minutes),
        "prefix": file,
        "events": len(minutes),
        **dict.fromkeys(("offered", "rejects", "unchanged", "ignored", "moved"), 0),
    }
    progress |= {"rows": len(minutes), "moved_most_s": moved_s or None, "note": "", "read_at": DAY}
    progress = {name: progress.get(name) for name in PROGRESS.columns}
    return Reading(
        events.collect(),
        REJECTS.conform(pl.LazyFrame(rejects)).collect(),
        PROGRESS.conform(pl.LazyFrame([progress])).collect(),
    )


def minutes_in(store: Store, **asked) -> list[int]:
    return [int(text) for text in store.events(**asked).collect()["text"]]


def spans(machine: str, *kinds: str) -> pl.LazyFrame:
    blank = {name: [None] * len(kinds) for name in SPANS.columns}
    return pl.LazyFrame(blank | {"machine": [machine] * len(kinds), "kind": list(kinds)})


# --- appending ---------------------------------------------------------------------------------------


def test_a_file_comes_back_as_it_went_in(tmp_path: Path):
    store, one = Store(tmp_path), reading("a", [0, 1, 2])
    store.append([one])
    assert_frame_equal(store.events().collect(), one.events)
    assert_frame_equal(store.rejects().collect(), one.rejects)
    assert_frame_equal(store.progress().collect(), one.progress)


def test_a_file_adds_nothing_the_second_time(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [0, 1]), reading("a", [0, 1])])
    before = store.version()
    store.append([reading("a", [0, 1])])
    assert (minutes_in(store), store.version()) == ([0, 1], before)
    assert store.progress().collect().height == 1


def test_a_file_without_events_is_known_too(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [])])
    assert set(store.known().identities) == {"a"}
    assert minutes_in(store) == []


def test_a_grown_file_takes_the_place_of_what_it_was(tmp_path: Path):
    """Minute 1 was torn when the file was first read; it must not survive beside minute 12."""
    store = Store(tmp_path)
    store.append([reading("short", [0, 1]), reading("other", [5])])
    store.append([reading("long", [0, 12, 13]), reading("new", [7])], replaces={"long": ["short"]})
    assert minutes_in(store) == [0, 5, 7, 12, 13]
    assert set(store.progress().collect()["file"]) == {"other", "long", "new"}
    assert set(store.rejects().collect()["file"]) == {"other", "long", "new"}
    assert set(store.known().identities) == {"short", "other", "long", "new"}
    assert set(store.known().standing) == {"other", "long", "new"}
    store.append([reading("short", [0, 1])])
    assert minutes_in(store) == [0, 5, 7, 12, 13]


def test_a_file_can_be_read_again(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [0, 1], heads=1), reading("b", [5])])
    store.append([reading("a", [0, 2], heads=1)], replaces={"a": ["a"]})
    assert minutes_in(store) == [0, 2, 5]
    assert store.rejects().collect().height == store.progress().collect().height == 2


def test_an_observation_of_two_files_is_one_and_bodies_go_before_heads(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [0, 1, 2]), reading("b", [1, 2, 3], heads=1)])
    events = store.events().collect()
    assert events.select("text", "file", "head").rows() == [
        ("0", "a", False),
        ("1", "a", False),
        ("2", "a", False),
        ("3", "b", False),
    ]


def test_heads_that_nobody_else_told_are_there(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("b", [1, 2, 3], heads=2)])
    assert store.events().collect()["head"].to_list() == [True, True, False]


def test_events_of_some_machines_and_of_a_stretch_of_time(tmp_path: Path):
    store = Store(tmp_path)
    days = [0, 1440, 2880]
    store.append([reading("a", days), reading("b", [1441, 1442], machine="T02")])
    assert minutes_in(store, machines=["T02"]) == [1441, 1442]
    assert minutes_in(store, start=DAY + timedelta(days=1)) == [1440, 2880, 1441, 1442]
    assert minutes_in(store, start=DAY + timedelta(days=1), end=DAY + timedelta(minutes=1442)) == [1440, 1441]


def test_an_event_moved_over_midnight_is_found_on_the_day_it_was_moved_to(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [1439], moved_s=100.0)])
    assert minutes_in(store, start=DAY + timedelta(days=1)) == [1439]
    assert minutes_in(store, end=DAY + timedelta(days=1)) == []


# --- a load that dies --------------------------------------------------------------------------------


def dies_in(store: Store, monkeypatch: pytest.MonkeyPatch, table: str, step: str) -> None:
    """Make the next commit to a table fail before it is made or after."""
    from runlog.store import delta

    commit = delta.commit

    def dying(path: Path, *args, **kwargs):
        if path.name != table:
            return commit(path, *args, **kwargs)
        monkeypatch.setattr(delta, "commit", commit)
        if step == "after":
            commit(path, *args, **kwargs)
        raise KeyboardInterrupt

    monkeypatch.setattr(delta, "commit", dying)


@pytest.mark.parametrize("step", ["before", "after"])
@pytest.mark.parametrize("table", ["rejects", "restated", "progress", "events"])
def test_a_load_that_dies_anywhere_is_whole_or_absent_and_can_be_repeated(tmp_path, monkeypatch, table, step):
    store = Store(tmp_path)
    store.append([reading("a", [0, 1], heads=1)])
    dies_in(store, monkeypatch, table, step)
    again = [reading("b", [2, 3], heads=1), reading("c", [4])]
    with pytest.raises(KeyboardInterrupt):
        store.append(again)
    whole = (table, step) == ("events", "after")
    assert minutes_in(store) == ([0, 1, 2, 3, 4] if whole else [0, 1])
    assert set(store.known().identities) == ({"a", "b", "c"} if whole else {"a"})
    assert store.rejects().collect().height == (3 if whole else 1)
    store.append(again)
    assert minutes_in(store) == [0, 1, 2, 3, 4]
    assert store.rejects().collect().height == store.progress().collect().height == 3


@pytest.mark.parametrize("table", ["rejects", "progress", "events"])
def test_a_replacement_that_dies_leaves_what_was(tmp_path, monkeypatch, table):
    store = Store(tmp_path)
    store.append([reading("a", [0, 1], heads=1)])
    dies_in(store, monkeypatch, table, "before")
    grown = [reading("aa", [0, 12], heads=1)]
    with pytest.raises(KeyboardInterrupt):
        store.append(grown, replaces={"aa": ["a"]})
    assert minutes_in(store) == [0, 1]
    store.append(grown, replaces={"aa": ["a"]})
    assert minutes_in(store) == [0, 12]


CHILD = """
import sys
from pathlib import Path
from test_store import kill_files
from runlog.store import Store
store = Store(Path(sys.argv[1]))
print("ready", flush=True)
for one in kill_files():
    store.append([one])
"""


def kill_files() -> list[Reading]:
    """What the child appends, one load a file."""
    return [reading(f"f{n:02}", range(n * 60, n * 60 + 90), heads=5) for n in range(24)]


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is of the other systems")
def test_killed_at_any_instant_and_repeated_the_tables_are_the_same(tmp_path: Path):
    whole = Store(tmp_path / "whole")
    for one in kill_files():
        whole.append([one])
    store = Store(tmp_path / "killed")
    kills = 0
    for wait_s in (0.05, 0.12, 0.2, 0.31, 0.17):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(store.folder)],
            stdout=subprocess.PIPE,
            text=True,
            env={"PYTHONPATH": f"{Path(__file__).parent}:{Path(__file__).parent.parent}"},
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(wait_s)
        child.send_signal(signal.SIGKILL)
        kills += child.wait() == -signal.SIGKILL
        child.stdout.close()
    assert kills >= 1
    for one in kill_files():
        store.append([one])
    for table in ("events", "rejects", "progress"):
        got, wanted = getattr(store, table)().collect(), getattr(whole, table)().collect()
        assert_frame_equal(got.sort("file", *(got.columns)), wanted.sort("file", *(got.columns)))


@settings(max_examples=8, deadline=None)
@given(st.permutations([("a", [0, 1, 2], 1), ("b", [1, 2, 3, 4], 2), ("c", [4, 5], 0)]), st.booleans())
def test_the_order_of_files_does_not_matter(tmp_path_factory, files, together):
    wanted = Store(tmp_path_factory.mktemp("wanted"))
    wanted.append([reading(name, minutes, heads=heads) for name, minutes, heads in sorted(files)])
    store = Store(tmp_path_factory.mktemp("store"))
    readings = [reading(name, minutes, heads=heads) for name, minutes, heads in files]
    for batch in [readings] if together else [[one] for one in readings]:
        store.append(batch)
    assert_frame_equal(store.events().collect(), wanted.events().collect())


# --- facts -------------------------------------------------------------------------------------------


def test_facts_of_a_machine_are_replaced_and_others_stay(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [0])])
    store.replace_facts({"spans": pl.concat([spans("T/01 'ä", "producing", "stopped"), spans("T02", "setting")])})
    store.replace_facts({"spans": spans("T/01 'ä", "reloading")}, ["T/01 'ä"])
    assert sorted(store.fact("spans").collect().select("machine", "kind").rows()) == [
        ("T/01 'ä", "reloading"),
        ("T02", "setting"),
    ]
    store.replace_facts({"spans": spans("T02")}, ["T02"])
    assert store.fact("spans").collect()["machine"].to_list() == ["T/01 'ä"]
    store.replace_facts({"spans": spans("T03", "producing")})
    assert store.fact("spans").collect()["machine"].to_list() == ["T03"]


def test_facts_of_another_machine_are_refused(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [0])])
    with pytest.raises(ValueError, match=r"spans: rows of \['T02'\] found"):
        store.replace_facts({"spans": spans("T02", "stopped")}, ["T01"])


def test_facts_never_derived_are_empty(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [0])])
    assert_frame_equal(store.fact("stops").collect(), STOPS.empty().collect())
    assert not store.facts_are_current()


@pytest.mark.parametrize("machines", [None, ["T01"]])
@pytest.mark.parametrize("table", ["spans", "stops", "generation"])
def test_a_generation_that_dies_is_not_seen_and_does_not_mix(tmp_path, monkeypatch, table, machines):
    store = Store(tmp_path)
    store.append([reading("a", [0])])
    stops = pl.LazyFrame({name: [None] for name in STOPS.columns}).with_columns(machine=pl.lit("T02"))
    store.replace_facts({"spans": pl.concat([spans("T01", "producing"), spans("T02", "setting")]), "stops": stops})
    dies_in(store, monkeypatch, table, "before")
    with pytest.raises(KeyboardInterrupt):
        store.replace_facts({"spans": spans("T01", "stopped"), "stops": STOPS.empty()}, machines)
    assert sorted(store.fact("spans").collect()["kind"]) == ["producing", "setting"]
    assert store.fact("stops").collect().height == 1
    store.replace_facts({"spans": spans("T02", "reloading")}, ["T02"])
    assert sorted(store.fact("spans").collect()["kind"]) == ["producing", "reloading"]


def test_the_version_changes_with_every_step(tmp_path: Path):
    store = Store(tmp_path)
    seen = [store.version()]
    store.append([reading("a", [0])])
    seen.append(store.version())
    store.replace_facts({"spans": spans("T01", "producing")})
    seen.append(store.version())
    assert store.facts_are_current()
    store.append([reading("b", [1])])
    seen.append(store.version())
    assert not store.facts_are_current()
    assert len(set(seen)) == 4


# --- the folder --------------------------------------------------------------------------------------


def test_no_store_there_yet(tmp_path: Path):
    store = Store(tmp_path / "nowhere")
    assert not store.exists()
    assert store.known().identities == {}
    for ask in (store.events, store.rejects, store.progress, store.facts):
        with pytest.raises(StoreError, match=r"nowhere: no store there yet; `runlog ingest FOLDER`"):
            ask()
    assert not (tmp_path / "nowhere").exists()


def test_a_store_of_a_newer_version_is_refused(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [0])])
    (tmp_path / "store.json").write_text(json.dumps({"format": 99}))
    for ask in (store.events, lambda: store.append([reading("b", [1])])):
        with pytest.raises(StoreError, match="a store of version 99 found, 1 or less expected"):
            ask()


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path):
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match=r"cannot be written .*; a store you may write to expected"):
        Store(tmp_path / "file" / "store").append([reading("a", [0])])


@pytest.mark.skipif(sys.platform == "win32", reason="locks differ")
def test_a_second_writer_waits_and_then_says_so(tmp_path: Path):
    from runlog.store.lock import writing

    store = Store(tmp_path, wait_s=0.2)
    with writing(tmp_path, 0.0), pytest.raises(StoreError, match="another runlog is writing to it"):
        store.append([reading("a", [0])])
    store.append([reading("a", [0])])
    assert minutes_in(store) == [0]


def test_a_damaged_table_is_an_error_of_the_store(tmp_path: Path):
    store = Store(tmp_path)
    store.append([reading("a", [0])])
    (tmp_path / "events" / "_delta_log" / f"{0:020d}.json").write_text("{nonsense")
    with pytest.raises(StoreError, match="events: cannot be read or written"):
        store.events()

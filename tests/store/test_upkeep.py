"""Upkeep changes nothing that a reader is given, whenever it is done and wherever it ends; and it does remove."""

import os
import random
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from test_store import DAY, kill_files, reading, spans

from runlog.store import Store, Tidied, compact, delta


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is too young to be tidied, and two files are many."""
    monkeypatch.setattr(delta, "KEPT", timedelta(0))
    monkeypatch.setattr(compact, "QUIET", timedelta(0))
    monkeypatch.setattr(compact, "MANY", 2)


def tidied(store: Store) -> Tidied:
    """Twice: what is put together the first time is removed the second."""
    return sum([*store.tidy(), *store.tidy()], Tidied())


def told(store: Store) -> dict[str, pl.DataFrame]:
    """All that readers are given; events in their order, the rest in any."""
    frames = {"events": store.events().collect()}
    for name, frame in {"rejects": store.rejects(), "progress": store.progress(), **store.facts()}.items():
        rows = frame.collect()
        frames[name] = rows.sort(rows.columns)
    return frames


def same(found: dict[str, pl.DataFrame], wanted: dict[str, pl.DataFrame]) -> None:
    assert found.keys() == wanted.keys()
    for name, frame in wanted.items():
        assert_frame_equal(found[name], frame)


def files(store: Store) -> list[Path]:
    return sorted(store.folder.rglob("*.parquet"))


def filled(folder: Path, loads: int = 6) -> Store:
    """A store of some loads over two days and two machines, derived after each."""
    store = Store(folder)
    for n in range(loads):
        one = reading(f"a{n}", [n * 10 + minute for minute in range(12)], heads=2)
        other = reading(f"b{n}", [1440 + n, 1450 + n], machine="T02", moved_s=5.0)
        store.append([one, other])
        store.replace_facts({"spans": pl.concat([spans("T01", *["producing"] * (n + 1)), spans("T02", "setting")])})
    return store


def test_tables_are_the_same_and_their_files_few(tmp_path: Path):
    store = filled(tmp_path)
    before = told(store)
    done = tidied(store)
    same(told(store), before)
    # Two days of events and three tables beside them, one file each; spans; generation.
    tables = [file for file in files(store) if "_delta_log" not in file.parts]
    assert len(tables) == 2 + 3 + 1 + 1
    assert (done.together, done.into) == (5 * 6, 5)
    assert done.removed > 0
    assert done.freed > 0
    assert tidied(store) == Tidied()


def test_a_day_becomes_one_file_in_the_order_of_events(tmp_path: Path):
    store = filled(tmp_path)
    tidied(store)
    (day,) = [file for file in files(store) if file.parent.name == f"day={DAY.date()}"]
    rows = pl.read_parquet(day)
    assert_frame_equal(rows, rows.sort("machine", "at", "body_start", "file", "line", "cell"))


def test_a_large_day_is_sorted_in_portions_that_do_not_overlap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(compact, "PIECE_ROWS", 50)
    store = Store(tmp_path)
    minutes = list(range(240))
    random.Random(1).shuffle(minutes)
    for n in range(4):
        store.append([reading(f"a{n}", minutes[n * 60 : n * 60 + 60], machine=f"T0{n % 2}")])
    before = told(store)
    assert sum(store.tidy(), Tidied()).into >= 4
    same(told(store), before)
    sorted_files = [pl.read_parquet(file) for file in files(store) if file.name.startswith("sorted-")]
    assert len(sorted_files) >= 4
    hours = pl.concat(
        rows.select("machine", pl.col("at").dt.truncate("1h"), n=pl.lit(n)).unique()
        for n, rows in enumerate(sorted_files)
    )
    assert hours.select("machine", "at").is_unique().all()
    assert tidied(store).together == 0  # a day that is sorted stays as it is


def test_a_late_row_is_sorted_in(tmp_path: Path):
    store = filled(tmp_path)
    tidied(store)
    store.append([reading("late", [3, 5, 700], machine="T03")])
    before = told(store)
    assert tidied(store).together > 0
    same(told(store), before)
    assert tidied(store).together == 0


def test_today_is_not_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(compact, "MANY", 4)
    store = Store(tmp_path)
    today = int((datetime.now(UTC) - DAY) / timedelta(minutes=1))
    for n in range(3):
        store.append([reading(f"a{n}", [today + n])])
    assert tidied(store).together == 0
    store.append([reading("more", [today + 9])])
    before = told(store)
    assert tidied(store).together > 0
    same(told(store), before)
    assert not [file for file in files(store) if file.name.startswith("sorted-")]


def test_the_load_goes_on_where_it_was(tmp_path: Path):
    store, beside = filled(tmp_path / "tidied"), filled(tmp_path / "beside")
    for n in range(25):  # a checkpoint is among them
        more = reading(f"c{n}", [2000 + n], heads=n % 2)
        load = delta.load_of(delta.opened(store.folder / "events"))
        tidied(store)
        assert delta.load_of(delta.opened(store.folder / "events")) == load == 6 + n
        for one in (store, beside):
            one.append([more, more])
    store.append([reading("a0", list(range(12)), heads=2)])
    same(told(store), told(beside))


def test_files_are_read_again_and_grow_after_upkeep(tmp_path: Path):
    store, beside = filled(tmp_path / "tidied"), filled(tmp_path / "beside")
    tidied(store)
    for one in (store, beside):
        one.append([reading("a1x", [0, 1, 99], heads=1)], replaces={"a1x": ["a1"]})
        one.append([reading("a2", [7, 8])], replaces={"a2": ["a2"]})
    same(told(store), told(beside))
    tidied(store)
    same(told(store), told(beside))


@settings(max_examples=12, deadline=None)
@given(st.lists(st.sampled_from(["load", "replace", "derive", "tidy", "half"]), max_size=9), st.integers(1, 6))
def test_upkeep_at_any_time_changes_nothing(tmp_path_factory, steps: list[str], slices: int):
    store, beside = (filled(tmp_path_factory.mktemp(name), loads=2) for name in ("tidied", "beside"))
    for n, step in enumerate(steps):
        for one in (store, beside):
            if step == "load":
                one.append([reading(f"n{n}", [n, 500 + n, 1500], heads=1)])
            elif step == "replace":
                one.append([reading(f"r{n}", [n, 50])], replaces={f"r{n}": ["a0", "a1"]})
            elif step == "derive":
                one.replace_facts({"spans": spans("T01", *["stopped"] * (n + 1))}, ["T01"])
        if step == "tidy":
            tidied(store)
        elif step == "half":
            for _ in zip(range(slices), store.tidy(), strict=False):
                pass
        same(told(store), told(beside))


# --- readers ---------------------------------------------------------------------------------------


def test_a_reader_goes_on_with_what_it_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(delta, "KEPT", timedelta(hours=2))
    store = filled(tmp_path)
    opened = {"events": store.events(), "progress": store.progress(), **store.facts()}
    wanted = {name: frame.collect() for name, frame in opened.items()}
    store.replace_facts({"spans": spans("T01", "stopped")})
    assert tidied(store).removed == 0
    store.append([reading("new", [77])])
    tidied(store)
    for name, frame in opened.items():
        assert_frame_equal(frame.collect(), wanted[name], check_row_order=False)


def test_versions_that_the_generation_names_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A derivation that died left newer versions of a table than the generation names."""
    store = filled(tmp_path)
    before = told(store)
    with monkeypatch.context() as patched:
        patched.setattr(Store, "_name_generation", lambda *_: None)
        for n in range(45):  # so often that the log has checkpoints after what is named
            store.replace_facts({"spans": spans("T01", *["stopped"] * (n + 1))})
    tidied(store)
    same(told(store), before)
    store.replace_facts({"spans": spans("T02", "reloading")}, ["T02"])
    assert set(store.fact("spans").collect()["kind"]) == {"producing", "reloading"}


# --- what it removes --------------------------------------------------------------------------------


def test_the_log_stays_short(tmp_path: Path):
    store = filled(tmp_path)
    for n in range(70):
        store.append([reading(f"c{n}", [n])])
    tidied(store)
    before = told(store)
    log = list((tmp_path / "events" / "_delta_log").iterdir())
    assert len(log) <= 25
    tidied(store)
    same(told(store), before)


def test_what_a_killed_writer_left_behind_goes(tmp_path: Path):
    store = filled(tmp_path)
    tidied(store)
    for left in (
        "events/day=2026-03-02/part-00000-dead.parquet",
        "events/day=2026-03-02/part-1.parquet#1",
        "spans/x.parquet#2",
    ):
        (tmp_path / left).write_bytes(b"begun")
    (tmp_path / "events" / "_delta_log" / "_commit_dead.json.tmp").write_bytes(b"{")
    assert tidied(store) == Tidied(removed=4, freed=16)


def test_what_is_young_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(delta, "KEPT", timedelta(hours=2))
    store = filled(tmp_path)
    (tmp_path / "events" / "day=2026-03-02" / "part-00000-now.parquet").write_bytes(b"begun")
    assert tidied(store).removed == 0


def test_an_interrupted_slice_leaves_nothing(tmp_path: Path):
    store = filled(tmp_path)
    before = told(store)
    for _ in store.tidy():
        if list(tmp_path.rglob("sorted-*")):
            break
    same(told(store), before)
    assert not list(tmp_path.rglob("sorted-*"))


def test_a_heap_whose_files_were_replaced_meanwhile_is_left_alone(tmp_path: Path):
    store = filled(tmp_path)
    slices = store.tidy()
    while not list(tmp_path.rglob("sorted-*")):
        next(slices)
    store.append([reading("a1x", [0, 99])], replaces={"a1x": ["a1"]})
    before = told(store)
    for _ in slices:
        pass
    same(told(store), before)


def test_files_without_a_column_that_came_later_go_together_with_the_others(tmp_path: Path):
    table = tmp_path / "rejects"
    delta.commit(table, pl.DataFrame({"load": [1], "raw": ["a"]}))
    delta.commit(table, pl.DataFrame({"load": [2], "raw": ["b"], "new": [7.5]}))
    delta.commit(table, pl.DataFrame({"load": [3], "raw": ["c"]}))
    (heap,) = compact.heaps(table, datetime.now(UTC))
    assert compact.put_in_place(heap, list(compact.written(heap)))
    assert len(delta.opened(table).file_uris()) == 1
    found = pl.scan_delta(delta.opened(table)).collect()
    assert found.rows() == [(1, "a", None), (2, "b", 7.5), (3, "c", None)]


CHILD = """
import sys
from datetime import timedelta
from pathlib import Path
from runlog.store import Store, compact, delta
delta.KEPT, compact.QUIET, compact.MANY = timedelta(0), timedelta(0), 2
from test_store import kill_files
store = Store(Path(sys.argv[1]))
print("ready", flush=True)
while True:
    for one in kill_files():
        store.append([one])
        for _ in store.tidy():
            pass
"""


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is of the other systems")
def test_killed_at_any_instant_it_changes_nothing(tmp_path: Path):
    whole, store = Store(tmp_path / "whole"), Store(tmp_path / "killed")
    for one in kill_files():
        whole.append([one])
    roots = os.pathsep.join(str(Path(__file__).parents[n]) for n in (1, 2))
    for wait_s in (0.1, 0.25, 0.4, 0.15, 0.6, 0.3):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(store.folder)],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": roots},
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(wait_s)
        child.send_signal(signal.SIGKILL)
        assert child.wait() == -signal.SIGKILL
        child.stdout.close()
        assert store.mend() == []
    for one in kill_files():
        store.append([one])
    tidied(store)
    same(told(store), told(whole))
    assert len(files(store)) < len(files(whole))

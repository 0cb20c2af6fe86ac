"""A watcher as its user runs it: a process that follows a folder, until it is asked to stop."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal
from watch.shop import HEADER, TEXT, facts, rows, taken, told

from runlog.store import Store
from runlog.watch import Stop, watch

PATIENCE_S = 60


def shop(folder: Path) -> Path:
    """A working folder with a site file and an empty folder of logs."""
    (folder / "logs").mkdir()
    (folder / "site.toml").write_text(TEXT)
    return folder


def looked(folder: Path) -> Store:
    """Look once, within this process; the store."""
    store = Store(folder / "store")
    watch([folder / "logs"], folder / "site.toml", store, stop=Stop(), tell=lambda _: None, once=True)
    return store


def same_as_clean(folder: Path, store: Store) -> None:
    """Events and facts equal those of a clean read of what lies in the folder."""
    clean = Store(folder / "clean")
    taken(folder / "logs", clean)
    assert_frame_equal(told(store), told(clean))
    wanted = facts(clean)
    for name, frame in facts(store).items():
        assert_frame_equal(frame, wanted[name])


# --- one look ------------------------------------------------------------------------------------


def test_catch_up_reads_everything_and_a_second_look_nothing(tmp_path: Path):
    (shop(tmp_path) / "logs" / "T01.csv").write_text(HEADER + rows(0, 20))
    (tmp_path / "logs" / "T02.log").write_text("2026-03-02T20:00:00Z|execution|ACTIVE\n")
    version = looked(tmp_path).version()
    assert looked(tmp_path).version() == version
    same_as_clean(tmp_path, Store(tmp_path / "store"))


def test_rotation_renames_and_copies_lose_nothing_and_double_nothing(tmp_path: Path):
    logs = shop(tmp_path) / "logs"
    log = logs / "T01.csv"
    log.write_text(HEADER + rows(0, 10))
    looked(tmp_path)
    log.rename(logs / "T01.1.csv")  # rotated by name
    log.write_text(HEADER + rows(10, 20))
    looked(tmp_path)
    shutil.copy(log, logs / "T01.2.csv")  # copied and cut off
    log.write_text(HEADER + rows(20, 22))
    looked(tmp_path)
    fresh = logs / "T01.new"
    fresh.write_text(HEADER + rows(20, 30))
    fresh.replace(log)  # replaced in one go
    (logs / "other").mkdir()
    (logs / "other" / "T01.csv").write_text(HEADER + rows(30, 35))  # the same name in another folder
    same_as_clean(tmp_path, looked(tmp_path))


def test_what_is_deleted_was_read_and_stays(tmp_path: Path):
    log = shop(tmp_path) / "logs" / "T01.csv"
    log.write_text(HEADER + rows(0, 10))
    before = told(looked(tmp_path))
    log.unlink()
    assert_frame_equal(told(looked(tmp_path)), before)
    log.write_text(HEADER + rows(0, 10))  # it comes back with the same content
    assert_frame_equal(told(looked(tmp_path)), before)


def test_a_corrupt_file_does_not_keep_the_others_from_being_read(tmp_path: Path):
    logs = shop(tmp_path) / "logs"
    (logs / "T01.csv.gz").write_bytes(b"\x1f\x8b\x08\x00 no gzip at all")
    (logs / "T01b.csv").write_text(HEADER + rows(0, 10))
    site = TEXT.replace('files = ["T01*.csv"]', 'files = ["T01*.csv", "T01*.gz"]')
    (tmp_path / "site.toml").write_text(site)
    assert looked(tmp_path).events().collect().height > 0


# --- a process -----------------------------------------------------------------------------------


def start(folder: Path, *more: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "runlog", "watch", "logs", *more]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def wait_for_events(folder: Path, least: int) -> None:
    """Until the store holds so many distinct events."""
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        store = Store(folder / "store")
        if store.exists() and store.events().collect().height >= least:
            return
        time.sleep(0.2)
    pytest.fail(f"{least} events expected within {PATIENCE_S} s")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals as other systems know them")
def test_a_watcher_follows_a_growing_file_and_stops_when_told(tmp_path: Path):
    log = shop(tmp_path) / "logs" / "T01.csv"
    log.write_text(HEADER + rows(0, 5))
    expected = [told(taken_of(tmp_path, n)).height for n in (5, 12)]
    watcher = start(tmp_path)
    try:
        wait_for_events(tmp_path, expected[0])
        log.write_text(HEADER + rows(0, 12))
        wait_for_events(tmp_path, expected[1])
        refused = subprocess.run(
            [sys.executable, "-m", "runlog", "watch", "logs"], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert refused.returncode == 3
        assert f"held by process {watcher.pid}" in refused.stderr.replace("\n", " ")
        alive = subprocess.run([sys.executable, "-m", "runlog", "status"], cwd=tmp_path, check=False)
        assert alive.returncode == 0
    finally:
        watcher.send_signal(signal.SIGTERM)
        said, _ = watcher.communicate(timeout=PATIENCE_S)
    assert watcher.returncode == 0
    assert "stopped" in said
    same_as_clean(tmp_path, Store(tmp_path / "store"))


def taken_of(folder: Path, minutes: int) -> Store:
    """A store beside, with the first minutes read cleanly."""
    logs, store = folder / f"first-{minutes}", Store(folder / f"store-{minutes}")
    logs.mkdir()
    (logs / "T01.csv").write_text(HEADER + rows(0, minutes))
    taken(logs, store)
    return store


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals as other systems know them")
def test_status_tells_a_killed_watcher(tmp_path: Path):
    (shop(tmp_path) / "logs" / "T01.csv").write_text(HEADER + rows(0, 5))
    watcher = start(tmp_path)
    wait_for_events(tmp_path, 1)
    watcher.kill()
    watcher.communicate(timeout=PATIENCE_S)
    beat = tmp_path / "store" / "watcher.json"
    last = json.loads(beat.read_text())
    beat.write_text(json.dumps(last | {"at": "2026-03-02T20:00:00+00:00"}))  # it was heard of long ago
    found = subprocess.run(
        [sys.executable, "-m", "runlog", "status"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert found.returncode == 1
    assert "needs a look" in found.stdout


def test_status_without_a_store_is_2(tmp_path: Path):
    found = subprocess.run(
        [sys.executable, "-m", "runlog", "status"], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (found.returncode, "no store there yet" in found.stderr.replace("\n", " ")) == (2, True)

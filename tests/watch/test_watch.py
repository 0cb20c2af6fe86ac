"""A watcher as its user runs it: a process that follows a folder, until it is asked to stop."""

import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal
from watch.following import PATIENCE_S, shop, until
from watch.shop import HEADER, lines, rows, same_as_clean, told

from runlog.cli import main
from runlog.store import Store, heartbeat
from runlog.watch import Stop, watch


def looked(folder: Path) -> Store:
    """Look once, within this process; the store."""
    store = Store(folder / "store")
    watch([folder / "logs"], folder / "site.toml", store, stop=Stop(), tell=lambda _: None, once=True)
    return store


# --- one look ------------------------------------------------------------------------------------


def test_catch_up_reads_everything_and_a_second_look_nothing(tmp_path: Path):
    logs = shop(tmp_path)
    (logs / "T01.csv").write_text(HEADER + rows(0, 20))
    (logs / "T02.log").write_text("2026-03-02T20:00:00Z|execution|ACTIVE\n")
    version = looked(tmp_path).version()
    assert looked(tmp_path).version() == version
    same_as_clean(tmp_path / "logs", Store(tmp_path / "store"))


def test_rotation_renames_and_copies_lose_nothing_and_double_nothing(tmp_path: Path):
    logs = shop(tmp_path)
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
    same_as_clean(tmp_path / "logs", looked(tmp_path))


def test_what_is_deleted_was_read_and_stays(tmp_path: Path):
    log = shop(tmp_path) / "T01.csv"
    log.write_text(HEADER + rows(0, 10))
    before = told(looked(tmp_path))
    log.unlink()
    assert_frame_equal(told(looked(tmp_path)), before)
    log.write_text(HEADER + rows(0, 10))  # it comes back with the same content
    assert_frame_equal(told(looked(tmp_path)), before)


def test_a_corrupt_file_is_reported_and_does_not_keep_the_others_from_being_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.chdir(tmp_path)
    for name in ("RUNLOG_SITE", "RUNLOG_STORE"):
        monkeypatch.delenv(name, raising=False)
    logs = shop(tmp_path)
    (logs / "T01.csv.gz").write_bytes(b"\x1f\x8b\x08\x00 no gzip at all")
    (logs / "T01b.csv").write_text(HEADER + rows(0, 10))
    (logs / "T02.log").write_text(lines(0, 10))
    with pytest.raises(SystemExit) as ended:
        main(["watch", "logs", "--once"])
    said = capsys.readouterr()
    assert ended.value.code == 1
    complaint = " ".join(said.err.split())
    assert str(Path("logs") / "T01.csv.gz") in complaint
    assert "gzip" in complaint.partition("T01.csv.gz")[2]
    assert "T01b" not in complaint
    assert "T01b.csv: 31 events" in said.out  # ten minutes of three, and the program once
    assert "T02.log: 20 events" in said.out
    store = Store(tmp_path / "store")
    assert sorted(store.progress().collect()["path"]) == ["T01b.csv", "T02.log"]
    (logs / "T01.csv.gz").unlink()
    same_as_clean(tmp_path / "logs", store)


# --- a process -----------------------------------------------------------------------------------


def start(folder: Path, *more: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "runlog", "watch", "logs", *more]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)


def wait_for_events(folder: Path, least: int) -> None:
    """Until the store holds so many distinct events."""
    store = Store(folder / "store")
    until(lambda: store.exists() and store.events().collect().height >= least, f"{least} events")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals as other systems know them")
def test_a_watcher_follows_a_growing_file_and_stops_when_told(tmp_path: Path):
    log = shop(tmp_path) / "T01.csv"
    log.write_text(HEADER + rows(0, 5))
    watcher = start(tmp_path)
    try:
        wait_for_events(tmp_path, 16)  # five minutes of three, and the program once
        with log.open("a") as appending:
            appending.write(rows(5, 12))
        wait_for_events(tmp_path, 37)
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
    same_as_clean(tmp_path / "logs", Store(tmp_path / "store"))


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals as other systems know them")
@pytest.mark.parametrize("asked", [signal.SIGINT, signal.SIGTERM])
def test_one_that_is_stopped_at_work_ends_in_peace(tmp_path: Path, asked: signal.Signals):
    logs = shop(tmp_path)
    for minute in range(40):
        (logs / f"T01.{minute}.csv").write_text(HEADER + rows(minute, minute + 1))
    watcher = start(tmp_path)
    until(lambda: (beat := heartbeat.read(tmp_path / "store")) and beat.doing.startswith("reading"), "it reads")
    watcher.send_signal(asked)
    said, _ = watcher.communicate(timeout=PATIENCE_S)
    assert watcher.returncode == 0
    assert said.splitlines()[-1].endswith("  stopped")
    assert "Traceback" not in said
    beat = heartbeat.read(tmp_path / "store")
    assert beat is not None
    assert beat.life(beat.at) == "stopped"
    same_as_clean(tmp_path / "logs", looked(tmp_path))


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="signals as other systems know them")
def test_status_tells_a_killed_watcher(tmp_path: Path):
    (shop(tmp_path) / "T01.csv").write_text(HEADER + rows(0, 5))
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

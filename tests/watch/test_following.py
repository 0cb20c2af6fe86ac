"""What a watcher does while it follows: appended lines, locked files, folders that go, the site file, a second one."""

import builtins
import io
import os
import shutil
from pathlib import Path
from typing import Any

import pytest
from watch.following import Following, shop, until
from watch.shop import HEADER, TEXT, lines, rows, same_as_clean, told

from runlog import pipeline
from runlog.store import heartbeat
from runlog.store.heartbeat import Heartbeat
from runlog.watch import follow, notices


@pytest.fixture(autouse=True)
def _short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(follow, "POLL_EVERY_S", 0.1)
    monkeypatch.setattr(follow, "QUIET_S", 0.05)
    monkeypatch.setattr(follow, "RESTS_PER_WORK", 0.0)
    monkeypatch.setattr(follow, "RETRY_S", (0.1, 1.0))


# --- what it says of itself ------------------------------------------------------------------------


def test_what_it_is_at_is_told_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(heartbeat, "EVERY_S", 3600.0)
    said: list[str] = []
    ingest, rederive = follow.ingest, pipeline.rederive

    def noted(step: Any) -> Any:
        def noting(*args: Any, **kwargs: Any) -> Any:
            beat = heartbeat.read(tmp_path / "store")
            said.append(beat.doing if beat else "nothing")
            return step(*args, **kwargs)

        return noting

    monkeypatch.setattr(follow, "ingest", noted(ingest))
    monkeypatch.setattr(pipeline, "rederive", noted(rederive))
    monkeypatch.setattr(follow, "RESTS_PER_WORK", 1000.0)  # it rests after the step, and says so
    (shop(tmp_path) / "T01.csv").write_text(HEADER + rows(0, 2))
    with Following(tmp_path) as watcher:
        until(lambda: watcher.store.exists() and watcher.beat().doing == heartbeat.WAITING, "rest")
        assert said == ["reading 1 file", heartbeat.DERIVING]
        assert watcher.beat().life(watcher.beat().at) == "running"
    assert watcher.beat().stopped


def test_a_long_step_tells_how_far_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(heartbeat, "EVERY_S", 3600.0)
    monkeypatch.setattr(follow, "TOLD_EVERY_S", 0.0)
    said: list[str] = []
    write = heartbeat.write

    def noting(store: Path, beat: Heartbeat) -> None:
        said.append(beat.doing)
        write(store, beat)

    monkeypatch.setattr(heartbeat, "write", noting)
    logs = shop(tmp_path)
    for minute in range(3):
        (logs / f"T01.{minute}.csv").write_text(HEADER + rows(minute, minute + 1))
    with Following(tmp_path) as watcher:
        until(lambda: heartbeat.WAITING in said, "rest")
    told_of = [f"reading 3 files{done}" for done in ("", ", 1 done", ", 2 done")]
    assert said == ["starting", *told_of, heartbeat.DERIVING, heartbeat.WAITING, heartbeat.WAITING]
    assert watcher.beat().stopped


# --- files -----------------------------------------------------------------------------------------


def test_appended_lines_are_read_and_a_torn_one_waits_for_its_end(tmp_path: Path):
    log = shop(tmp_path) / "T01.csv"
    log.write_text(HEADER + rows(0, 2))
    with Following(tmp_path) as watcher, log.open("a") as appending:
        watcher.until_told("T01.csv", "events")
        for minute in range(2, 5):
            appending.write(rows(minute, minute + 1))
            appending.flush()
            watcher.until_events(1 + 3 * (minute + 1))  # the program once, three a minute
        last = rows(5, 6)
        torn = last.index("part_count,105") + len("part_count,10")
        appending.write(last[:torn])
        appending.flush()
        (log.parent / "T02.log").write_text(lines(0, 1))
        watcher.until_told("T02.log", "events")
        assert "10" not in told(watcher.store)["text"].to_list()
        appending.write(last[torn:])
        appending.flush()
        watcher.until_events(1 + 3 * 6 + 2)
        watcher.until_settled()
    same_as_clean(tmp_path / "logs", watcher.store)


def test_a_locked_file_is_tried_again_while_the_rest_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """As on Windows, where a writer can have a file for itself."""
    locked = shop(tmp_path) / "T01.csv"
    locked.write_text(HEADER + rows(0, 3))
    is_locked = True

    def but_locked(real: Any) -> Any:
        def opening(path: Any, *args: Any, **kwargs: Any) -> Any:
            if is_locked and isinstance(path, str | os.PathLike) and Path(path) == locked:
                raise PermissionError(13, "Permission denied", str(path))
            return real(path, *args, **kwargs)

        return opening

    for place in (io, builtins, os):
        monkeypatch.setattr(place, "open", but_locked(place.open))
    with Following(tmp_path) as watcher:
        watcher.until_told("T01.csv", "Permission denied", "(tried again)")
        (locked.parent / "T02.log").write_text(lines(0, 3))
        watcher.until_events(6)
        until(lambda: watcher.beat().troubles, "troubles")
        assert [*watcher.beat().troubles] == [str(locked)]
        assert watcher.times_told("T01.csv", "(tried again)") == 1
        is_locked = False
        watcher.until_told("T01.csv", "read after all")
        until(lambda: not watcher.beat().troubles, "no troubles")
    assert watcher.outcome is not None
    assert watcher.outcome.skipped == []
    same_as_clean(tmp_path / "logs", watcher.store)


def test_polling_needs_no_notices(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    class NoObserver:
        def start(self) -> None:
            raise AssertionError("asked for notices")

        def schedule(self, *_: Any, **__: Any) -> None:
            raise AssertionError("asked for notices")

        def is_alive(self) -> bool:
            return False

    monkeypatch.setattr(notices, "Observer", NoObserver)
    log = shop(tmp_path) / "T01.csv"
    with Following(tmp_path, poll=True) as watcher:
        watcher.until_told("watching")
        log.write_text(HEADER + rows(0, 2))
        watcher.until_events(7)
        with log.open("a") as appending:
            appending.write(rows(2, 3))
        watcher.until_events(10)


def test_a_folder_that_is_missing_or_goes_is_read_when_it_is_back(tmp_path: Path):
    folder = shop(tmp_path)
    folder.rmdir()
    with Following(tmp_path) as watcher:
        watcher.until_told("no such folder now")
        folder.mkdir()
        (folder / "T01.csv").write_text(HEADER + rows(0, 2))
        watcher.until_events(7)
        shutil.rmtree(folder)
        watcher.until_told("no such folder now", times=2)
        folder.mkdir()
        (folder / "T01.csv").write_text(HEADER + rows(2, 4))
        watcher.until_events(14)
        watcher.until_settled()
        (folder / "T02.log").write_text(lines(0, 1))  # notices are asked for anew
        watcher.until_events(16)


# --- the site file ---------------------------------------------------------------------------------


def test_the_site_file_is_read_again_when_it_changes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(follow, "LOOK_EVERY_S", 0.1)
    other = TEXT.replace('"T02*.log"', '"elsewhere*.log"')
    logs = shop(tmp_path, other)
    (logs / "T01.csv").write_text(HEADER + rows(0, 2))
    (logs / "T02.log").write_text(lines(0, 2))
    with Following(tmp_path) as watcher:
        watcher.until_told("1 file claimed by no source", "T02.log")
        watcher.until_events(7)
        (tmp_path / "site.toml").write_text(TEXT)
        watcher.until_told("site.toml: read again")
        watcher.until_events(11)
        watcher.until_settled()
    same_as_clean(tmp_path / "logs", watcher.store)


def test_a_site_file_with_mistakes_counts_as_before_and_is_a_problem_until_mended(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(follow, "LOOK_EVERY_S", 0.1)
    logs = shop(tmp_path)
    with Following(tmp_path) as watcher:
        watcher.until_told("watching")
        (tmp_path / "site.toml").write_text(TEXT.replace("cycle_s = 60", 'cycle_s = "soon"'))
        watcher.until_told("cycle_s", "counts as it was before")
        (logs / "T01.csv").write_text(HEADER + rows(0, 2))
        watcher.until_events(7)
        watcher.until_settled()
        assert "cycle_s" in watcher.beat().failing
        (tmp_path / "site.toml").write_text(TEXT)
        until(lambda: not watcher.beat().failing, "no problem")
        assert watcher.times_told("counts as it was before") == 1
    same_as_clean(tmp_path / "logs", watcher.store)


def test_an_edited_job_standard_is_told_with_the_shift_from_which_it_holds(tmp_path: Path, monkeypatch):
    """The log ends on 2 March at 20:02; a site that names no shifts has whole days."""
    monkeypatch.setattr(follow, "LOOK_EVERY_S", 0.1)
    logs = shop(tmp_path)
    (logs / "T01.csv").write_text(HEADER + rows(0, 2))
    with Following(tmp_path) as watcher:
        watcher.until_events(7)
        watcher.until_settled()
        (tmp_path / "site.toml").write_text(TEXT.replace("cycle_s = 60", "cycle_s = 50"))
        watcher.until_told("bush: the new standard holds from the shift of 2026-03-02 00:00 on", "derive --all")
        watcher.until_settled()


# --- two watchers ----------------------------------------------------------------------------------


def test_one_that_waits_takes_over_when_the_other_ends(tmp_path: Path):
    logs = shop(tmp_path)
    with Following(tmp_path) as first:
        first.until_told("watching")
        with Following(tmp_path, wait=True) as second:
            second.until_told(f"held by process {os.getpid()}", "waiting for it to end")
            (logs / "T01.csv").write_text(HEADER + rows(0, 2))
            first.until_told("T01.csv", "7 events")
            first.end()
            second.until_told("watching")
            with (logs / "T01.csv").open("a") as appending:
                appending.write(rows(2, 3))
            second.until_events(10)
        assert second.times_told("T01.csv") == 1


@pytest.mark.parametrize("once", [False, True])
def test_one_that_is_asked_to_stop_while_it_waits_reads_nothing(tmp_path: Path, once: bool):
    logs = shop(tmp_path)
    with Following(tmp_path) as first:
        first.until_told("watching")
        with Following(tmp_path, wait=True, once=once) as second:
            second.until_told("waiting for it to end")
            (logs / "T02.txt").write_text("claimed by none\n")
            first.until_told("T02.txt")
        assert second.times_told("T02.txt") == 0
        assert first.beat().life(first.beat().at) == "running"

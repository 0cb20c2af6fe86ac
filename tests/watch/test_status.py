"""`runlog status`: what is told of sources and of the watcher, and the exit code that monitoring goes by."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from watch.shop import HEADER, lines, rows, taken

from runlog import pipeline
from runlog.cli import main
from runlog.status import store_status
from runlog.store import Store, heartbeat
from runlog.store.heartbeat import WAITING, Heartbeat

NOW = datetime(2026, 3, 3, 8, tzinfo=UTC)
BEAT = Heartbeat(
    pid=77,
    host="cell",
    since=NOW - timedelta(hours=9),
    at=NOW - timedelta(seconds=3),
    once=False,
    stopped=False,
    doing=WAITING,
    doing_since=NOW - timedelta(hours=2),
    folders=["/logs"],
)
LONG_AGO = NOW - timedelta(minutes=31)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """T01 up to 20:02:58 and T02 up to 20:04:50, with one line that is none."""
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "T01.csv").write_text(HEADER + rows(0, 3))
    (logs / "T02.log").write_text(lines(0, 5) + "not a line\n")
    made = Store(tmp_path / "store")
    taken(logs, made)
    return made


def problems(store: Store, **beat: Any) -> list[str]:
    """With a watcher that last said this."""
    heartbeat.write(store.folder, replace(BEAT, **beat))
    return store_status(store, NOW).problems


@pytest.fixture
def status(store: Store, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Any]:
    """Exit code and output of the command."""
    monkeypatch.delenv("RUNLOG_STORE", raising=False)
    monkeypatch.setenv("COLUMNS", "200")

    def called(*options: str, folder: Path = store.folder) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            main(["status", "--store", str(folder), *options])
        told = capsys.readouterr()
        return int(ended.value.code or 0), told.out, told.err

    return called


# --- sources ---------------------------------------------------------------------------------------


def test_json_tells_every_source_and_the_watcher(store: Store, status: Callable[..., Any]):
    now = datetime.now(UTC)
    heartbeat.write(store.folder, replace(BEAT, at=now, troubles={"/logs/T01.gz": "no gzip file"}))
    code, out, _ = status("--json")
    found = json.loads(out)
    assert code == 0
    assert [*found] == ["store", "version", "at", "problems", "watcher", "sources"]
    assert (found["store"], found["version"], found["problems"]) == (str(store.folder), store.version(), [])
    assert found["watcher"] == {
        "life": "running",
        "pid": 77,
        "host": "cell",
        "since": "2026-03-02T23:00:00+00:00",
        "heard_of": now.isoformat(),
        "once": False,
        "doing": WAITING,
        "doing_since": "2026-03-03T06:00:00+00:00",
        "folders": ["/logs"],
        "failing": "",
        "troubles": {"/logs/T01.gz": "no gzip file"},
    }
    first, second = found["sources"]
    assert [*first] == ["source", "files", "last_file", "last_read", "last_event", "lag_s", "rejects"]
    assert (first["source"], first["files"], first["last_file"], first["rejects"]) == ("T01 log", 1, "T01.csv", 0)
    assert (second["source"], second["files"], second["last_file"], second["rejects"]) == ("T02 log", 1, "T02.log", 1)
    assert first["last_event"] == "2026-03-02T20:02:58+00:00"
    assert second["last_event"] == "2026-03-02T20:04:50+00:00"
    asked, last = (datetime.fromisoformat(text) for text in (found["at"], first["last_event"]))
    assert first["lag_s"] == int((asked - last).total_seconds())
    assert now - timedelta(minutes=5) < datetime.fromisoformat(first["last_read"]) <= now


def test_words_tell_the_same(store: Store, status: Callable[..., Any]):
    heartbeat.write(store.folder, replace(BEAT, at=datetime.now(UTC), troubles={"/logs/T01.gz": "no gzip file"}))
    code, out, _ = status()
    assert code == 0
    assert "T02.log" in out
    assert f"process 77 on cell: {WAITING} since" in out
    assert "tried again: /logs/T01.gz: no gzip file" in out
    assert "needs a look" not in out


def test_without_a_watcher_all_is_well(store: Store, status: Callable[..., Any]):
    code, out, _ = status()
    assert (code, "watcher: none has run here" in out) == (0, True)
    code, out, _ = status("--json")
    assert (code, json.loads(out)["watcher"]) == (0, None)


def test_a_heartbeat_that_cannot_be_read_is_none(store: Store):
    for text in ("", "{", "[]", '{"at": 3}', '{"pid": 1}'):
        (store.folder / "watcher.json").write_text(text)
        assert store_status(store, NOW).watcher is None


def test_a_silent_source_is_a_problem_only_where_asked_for(store: Store, status: Callable[..., Any]):
    at = datetime(2026, 3, 2, 22, 4, tzinfo=UTC)  # 2 h 1 min 2 s after T01 spoke, 1 h 59 min 10 s after T02
    assert store_status(store, at).problems == []
    assert store_status(store, at, timedelta(hours=2)).problems == ["T01 log: no event within the last 2 h"]
    assert store_status(store, at, timedelta(hours=2.5)).problems == []
    code, out, _ = status("--stale-after", "2")
    assert code == 1
    assert "needs a look: T01 log: no event within the last 2 h" in out
    assert "needs a look: T02 log: no event within the last 2 h" in out
    many = (datetime.now(UTC) - at).total_seconds() / 3600 + 3
    assert status("--stale-after", str(many))[0] == 0


# --- the watcher -----------------------------------------------------------------------------------


def test_a_watcher_that_lives_is_no_problem(store: Store):
    assert problems(store) == []
    assert problems(store, at=NOW - timedelta(seconds=30)) == []
    assert problems(store, at=NOW + timedelta(hours=1)) == []  # its clock is ahead


def test_one_not_heard_of_for_half_a_minute_is_dead(store: Store, status: Callable[..., Any]):
    (problem,) = problems(store, at=NOW - timedelta(seconds=31))
    assert problem.startswith("the watcher lives no more: not heard of since ")
    code, out, _ = status("--json")
    assert (code, json.loads(out)["watcher"]["life"]) == (1, "dead")
    assert "not heard of since" in status()[1]


def test_one_that_is_at_one_step_for_half_an_hour_seems_to_hang(store: Store):
    (problem,) = problems(store, doing="reading 3 files", doing_since=LONG_AGO)
    assert problem.startswith("the watcher seems to hang: reading 3 files since ")
    assert problems(store, doing="reading 3 files", doing_since=NOW - timedelta(minutes=29)) == []
    assert problems(store, doing=WAITING, doing_since=LONG_AGO) == []  # nothing came


def test_one_that_was_stopped_is_a_problem_one_that_looked_once_is_none(store: Store, status: Callable[..., Any]):
    (problem,) = problems(store, stopped=True, at=LONG_AGO)
    assert problem.startswith("the watcher was stopped ")
    assert status()[0] == 1
    assert problems(store, stopped=True, once=True, at=LONG_AGO) == []
    code, out, _ = status()
    assert (code, "watcher: looked once, " in out) == (0, True)


def test_one_that_fails_says_why(store: Store):
    assert problems(store, failing="the disk is full") == ["the disk is full"]


# --- facts, and no store ---------------------------------------------------------------------------


def test_facts_older_than_events_are_a_problem_unless_a_watcher_is_about_to_derive(
    store: Store, tmp_path: Path, status: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(pipeline, "rederive", lambda *_: None)
    (tmp_path / "logs" / "T01b.csv").write_text(HEADER + rows(3, 4))
    taken(tmp_path / "logs", store)
    problem = "facts are older than the events they are made from: `runlog derive` makes them anew"
    assert store_status(store, NOW).problems == [problem]
    code, out, _ = status()
    assert (code, problem in out) == (1, True)
    assert problems(store) == []
    assert problem in problems(store, at=LONG_AGO)
    assert problems(store, stopped=True, once=True) == [problem]


def test_without_a_store_the_code_is_2(status: Callable[..., Any], tmp_path: Path):
    nowhere = tmp_path / "nowhere"
    code, out, err = status(folder=nowhere)
    assert (code, out) == (2, "")
    assert "no store there yet" in " ".join(err.split())
    code, out, _ = status("--json", folder=nowhere)
    found = json.loads(out)
    assert (code, found["store"], len(found["problems"])) == (2, str(nowhere), 1)
    assert not nowhere.exists()

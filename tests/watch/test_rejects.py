"""`runlog rejects`: newest first, harmless to print, and exportable."""

import json
from pathlib import Path

import pytest
from watch.shop import SHOP, lines, taken

from runlog.cli import main
from runlog.pipeline import ingest
from runlog.store import Store


def said(capsys: pytest.CaptureFixture[str], *args: str | Path) -> tuple[int, str]:
    with pytest.raises(SystemExit) as ended:
        main(["rejects", *map(str, args)])
    told = capsys.readouterr()
    return int(ended.value.code or 0), told.out + told.err


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("COLUMNS", "200")
    monkeypatch.delenv("RUNLOG_STORE", raising=False)
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "T02 a.log").write_text(lines(0, 2) + "not a line [red]\x1b[2J\n")
    taken(logs, Store(tmp_path / "store"))
    (logs / "T02 b.log").write_text(lines(3, 4) + "nor this\n")
    ingest([logs], SHOP, Store(tmp_path / "store"), base=logs)
    return tmp_path / "store"


def test_newest_first_with_place_reason_and_text(store: Path, capsys):
    code, out = said(capsys, "--store", store)
    assert code == 0
    assert out.index("T02 b.log") < out.index("T02 a.log")
    assert "not a line [red] [2J" in out
    assert "\x1b" not in out


def test_the_rest_is_counted(store: Path, capsys):
    _, out = said(capsys, "--store", store, "--last", "1")
    assert "The newest 1 of 2. All of them: runlog rejects --to rejects.csv" in out


def test_of_one_source_or_a_message(store: Path, capsys):
    assert "T02 a.log" in said(capsys, "--store", store, "--source", "T02 log")[1]
    code, out = said(capsys, "--store", store, "--source", "T9")
    assert (code, out) == (1, "runlog: --source 'T9': found none of this name, one of these expected: T02 log\n")


def test_to_a_file(store: Path, capsys, tmp_path: Path):
    assert said(capsys, "--store", store, "--to", tmp_path / "r.json")[0] == 0
    assert [row["path"] for row in json.loads((tmp_path / "r.json").read_text())] == ["T02 b.log", "T02 a.log"]

"""Files that change while they are read, and copies that are seen half made."""

from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from watch.shop import HEADER, SHOP, facts, rows, taken, told

from runlog import pipeline
from runlog.pipeline import ingest
from runlog.store import Store


def same_as_clean(folder: Path, store: Store) -> None:
    clean = Store(store.folder.with_name("clean"))
    taken(folder, clean)
    assert_frame_equal(told(store), told(clean))
    assert sorted(store.progress().collect()["prefix"]) == sorted(clean.progress().collect()["prefix"])
    wanted = facts(clean)
    for name, frame in facts(store).items():
        assert_frame_equal(frame, wanted[name])


def while_reading(monkeypatch: pytest.MonkeyPatch, name: str, done) -> None:
    """Do something once between the choice of files and the reading of one."""
    read = pipeline.read_pieces

    def reading(path, *args, **kwargs):
        if path.name == name:
            monkeypatch.setattr(pipeline, "read_pieces", read)
            done()
        return read(path, *args, **kwargs)

    monkeypatch.setattr(pipeline, "read_pieces", reading)


def test_a_file_emptied_while_read_lets_go_of_nothing(tmp_path: Path, monkeypatch):
    """Copy and truncate: the copy was left aside as it equals the file, which then is another."""
    folder, store = tmp_path / "logs", Store(tmp_path / "store")
    folder.mkdir()
    log = folder / "T01.csv"
    log.write_text(HEADER + rows(0, 5))
    taken(folder, store)
    log.write_text(HEADER + rows(0, 20))
    (folder / "T01z.csv").write_text(log.read_text())
    while_reading(monkeypatch, "T01.csv", lambda: log.write_text(HEADER + rows(20, 22)))
    report = taken(folder, store)
    assert sorted(report.progress["path"]) == ["T01.csv", "T01z.csv"]
    same_as_clean(folder, store)


def test_a_file_that_grows_while_read_counts_once(tmp_path: Path, monkeypatch):
    folder, store = tmp_path / "logs", Store(tmp_path / "store")
    folder.mkdir()
    log = folder / "T01.csv"
    log.write_text(HEADER + rows(0, 5))
    taken(folder, store)
    log.write_text(HEADER + rows(0, 10))
    with monkeypatch.context() as patch:
        while_reading(patch, "T01.csv", lambda: log.write_text(HEADER + rows(0, 15)))
        taken(folder, store)
    # What came meanwhile is for the next look.
    taken(folder, store)
    same_as_clean(folder, store)


def test_a_file_that_vanishes_while_read_is_told_and_its_copy_read(tmp_path: Path, monkeypatch):
    folder, store = tmp_path / "logs", Store(tmp_path / "store")
    folder.mkdir()
    for name in ("T01.csv", "T01z.csv"):
        (folder / name).write_text(HEADER + rows(0, 5))
    while_reading(monkeypatch, "T01.csv", (folder / "T01.csv").unlink)
    report = taken(folder, store)
    assert report.progress["path"].to_list() == ["T01z.csv"]
    assert [one.path.name for one in report.skipped] == ["T01.csv"]


def test_a_copy_seen_half_made_leaves_no_torn_line(tmp_path: Path):
    folder, store = tmp_path / "logs", Store(tmp_path / "store")
    folder.mkdir()
    content = HEADER + rows(0, 10)
    (folder / "T01.csv").write_text(content)
    taken(folder, store)
    # Only the copy is looked at, as when only its change was noticed; 103 is cut to 10.
    copy = folder / "T01 copy.csv"
    copy.write_text(content[: content.index("part_count,103") + len("part_count,10")])
    ingest([copy], SHOP, store, base=folder)
    assert store.events().filter(pl.col("text") == "10").collect().height == 1
    copy.write_text(content)
    ingest([copy], SHOP, store, base=folder)
    same_as_clean(folder, store)


def test_a_reader_that_fails_on_one_file_keeps_no_other_out(tmp_path: Path, monkeypatch):
    folder, store = tmp_path / "logs", Store(tmp_path / "store")
    folder.mkdir()
    (folder / "T01.csv").write_text(HEADER + rows(0, 5))
    (folder / "T01b.csv").write_text(HEADER + rows(5, 9))
    while_reading(monkeypatch, "T01.csv", lambda: 1 / 0)
    report = taken(folder, store)
    assert report.skipped[0].reason.startswith("a fault of runlog's own, please report it: ZeroDivisionError")
    assert report.progress["path"].to_list() == ["T01b.csv"]

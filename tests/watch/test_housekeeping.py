"""A watcher tidies its store while it rests, and looks at its start whether the store is whole."""

from pathlib import Path

import pytest
from test_store import reading
from watch.shop import HEADER, TEXT, rows

from runlog.errors import StoreError
from runlog.store import Store, Tidied
from runlog.watch import Stop, housekeeping, watch
from runlog.watch.housekeeping import Housekeeping


class Counted(Store):
    """A store that has three slices to do each time, and counts them."""

    done = 0

    def tidy(self):
        for _ in range(3):
            self.done += 1
            yield Tidied()


@pytest.fixture
def store(tmp_path: Path) -> Counted:
    store = Counted(tmp_path)
    store.append([reading("a", [0])])
    return store


def test_it_is_done_once_and_then_not_for_a_while(store: Counted):
    keeping = Housekeeping(store, print)
    for _ in range(3):
        keeping.some(lambda: False)
    assert store.done == 3


def test_news_interrupt_it_and_it_goes_on_where_it_was(store: Counted):
    keeping = Housekeeping(store, print)
    keeping.some(lambda: True)
    assert store.done == 1
    keeping.some(lambda: True)
    assert store.done == 2
    keeping.some(lambda: False)
    assert store.done == 3


def test_many_steps_make_it_due(store: Counted, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(housekeeping, "AFTER_STEPS", 3)
    keeping = Housekeeping(store, print)
    keeping.some(lambda: False)
    for n in range(2):
        store.append([reading(f"b{n}", [n])])
        keeping.some(lambda: False)
        assert store.done == 3
    store.append([reading("c", [7])])
    keeping.some(lambda: False)
    assert store.done == 6


def test_nothing_is_made_where_no_store_is(tmp_path: Path):
    Housekeeping(Store(tmp_path / "store"), print).some(lambda: False)
    assert not (tmp_path / "store").exists()


def test_a_failure_is_told_once_and_tried_again(store: Counted, monkeypatch: pytest.MonkeyPatch):
    said: list[str] = []

    def failing():
        raise StoreError("no room")
        yield

    monkeypatch.setattr(store, "tidy", failing)
    monkeypatch.setattr(housekeeping, "EVERY_S", 0.0)
    keeping = Housekeeping(store, said.append)
    for _ in range(3):
        keeping.some(lambda: False)
    assert said == ["not tidied: no room (tried again)"]


def test_a_watcher_mends_a_torn_store_at_its_start(tmp_path: Path):
    logs = tmp_path / "logs"
    logs.mkdir()
    (tmp_path / "site.toml").write_text(TEXT)
    (logs / "T01.csv").write_text(HEADER + rows(0, 5))
    store, said = Store(tmp_path / "store"), list[str]()

    def look() -> None:
        watch([logs], tmp_path / "site.toml", store, stop=Stop(), tell=said.append, once=True)

    look()
    before = store.events().collect()
    for file in (store.folder / "events").rglob("*.zstd.parquet"):
        file.write_bytes(b"")
    said.clear()
    look()
    assert "events half written" in said[0]
    assert store.events().collect().equals(before)

"""A power cut tears the last commit: the store goes back to what was whole, and the logs give the rest again."""

import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from urllib.parse import unquote

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from test_store import reading
from watch.shop import HEADER, facts, lines, rows, taken, told

from runlog.errors import StoreError
from runlog.schema import SCRAP
from runlog.store import Store, compact, delta

INTAKE = ("events", "restated", "rejects", "progress")
FACTS = ("spans", "generation")


def newest(table: Path) -> Path:
    return list(delta.entries(table).values())[-1]


def added(table: Path) -> list[Path]:
    """Files of the newest commit that added any."""
    for entry in reversed(delta.entries(table).values()):
        if found := [table / unquote(action["add"]["path"]) for action in delta.actions(entry) if "add" in action]:
            return found
    raise AssertionError(f"{table}: no file was ever added")


def cut(file: Path, share: float) -> None:
    os.truncate(file, int(file.stat().st_size * share))


def blanked(file: Path) -> None:
    file.write_bytes(b"\0" * file.stat().st_size)


def no_mark(file: Path) -> None:
    """Cut off before its last line, where the mark of the load stands."""
    file.write_text("\n".join(file.read_text().splitlines()[:-1]))


def torn(table: Path, tear: str) -> None:
    """Harm a table, without telling by a file's time."""
    entry = newest(table)
    written = entry.stat().st_mtime_ns
    TEARS[tear](table)
    if entry.exists():
        os.utime(entry, ns=(written, written))


TEARS: dict[str, Callable[[Path], None]] = {
    "file missing": lambda table: added(table)[0].unlink(),
    "file empty": lambda table: cut(added(table)[-1], 0),
    "file cut": lambda table: cut(added(table)[0], 0.7),
    "file blank": lambda table: blanked(added(table)[0]),
    "entry empty": lambda table: cut(newest(table), 0),
    "entry half": lambda table: cut(newest(table), 0.5),
    "no mark": lambda table: no_mark(newest(table)),
    "entry blank": lambda table: blanked(newest(table)),
}


def logs(folder: Path, minutes: int) -> Path:
    """A CSV with something to reject, and adapter lines with a state at their head."""
    place = folder / "logs"
    place.mkdir(exist_ok=True)
    bad = "yesterday,execution,ACTIVE\n"
    (place / "T01.csv").write_text(HEADER + "".join(bad + rows(first, first + 5) for first in range(0, minutes, 5)))
    head = "2026-03-02T19:00:00Z|execution|READY\n"
    (place / f"T02-{minutes}.log").write_text(head + lines(minutes - 5, minutes))
    return place


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    """By number of loads: a folder with logs, and the store that has read them as they grew."""
    folders = {}
    for loads in (1, 2, 3):
        folders[loads] = folder = tmp_path_factory.mktemp(f"loads-{loads}")
        for n in range(1, loads + 1):
            taken(logs(folder, 5 * n), Store(folder / "store"))
    return folders


@pytest.fixture
def loaded(made: dict[int, Path], tmp_path: Path) -> Callable[..., Store]:
    """Gives a store that has taken so many loads, with its logs beside it, in `tmp_path`."""

    def copied(loads: int = 2) -> Store:
        shutil.copytree(made[loads], tmp_path, dirs_exist_ok=True)
        return Store(tmp_path / "store")

    return copied


def everything(store: Store) -> dict[str, pl.DataFrame]:
    """All that readers are given, less when it was read, and in how many pieces."""
    beside = {
        "rejects": store.rejects().drop("read_at", "file").collect(),
        "progress": store.progress().drop("read_at", "file", "begins").collect(),
    }
    return {"events": told(store), **{n: f.sort(f.columns) for n, f in beside.items()}, **facts(store)}


CLEAN: dict[str, tuple[dict[str, pl.DataFrame], int]] = {}
"""By what the logs hold: what a clean read of them gives, and how many rows it stores."""


def stored(store: Store) -> int:
    return pl.scan_delta(delta.opened(store.folder / "events")).collect().height


def same_as_clean(folder: Path, store: Store) -> None:
    """What readers are given equals that of a clean read, and no row is stored twice."""
    text = "".join(f"{path.name}{path.read_text()}" for path in sorted((folder / "logs").iterdir()))
    if text not in CLEAN:
        clean = Store(folder / "clean")
        taken(folder / "logs", clean)
        CLEAN[text] = everything(clean), stored(clean)
    wanted, found = CLEAN[text][0], everything(store)
    for name, frame in wanted.items():
        assert_frame_equal(found[name], frame)
    assert stored(store) == CLEAN[text][1]


def test_a_store_that_is_whole_is_left_alone(tmp_path: Path, loaded):
    store = loaded(loads=3)
    before = sorted((path, path.stat().st_mtime_ns) for path in store.folder.rglob("*") if path.is_file())
    assert store.mend() == []
    assert sorted((path, path.stat().st_mtime_ns) for path in store.folder.rglob("*") if path.is_file()) == before


def test_where_no_store_is_none_is_made(tmp_path: Path):
    assert Store(tmp_path / "store").mend() == []
    assert not (tmp_path / "store").exists()


@pytest.mark.parametrize(
    ("table", "tear", "loads"),
    [
        *((table, tear, 3) for table in INTAKE for tear in TEARS if tear != "no mark"),
        *((table, tear, 1) for table in INTAKE for tear in ("file cut", "entry half")),
        *((table, tear, 3) for table in FACTS for tear in ("file cut", "entry empty", "entry half")),
    ],
)
def test_one_torn_table(tmp_path: Path, loaded, table: str, tear: str, loads: int):
    store = loaded(loads)
    torn(store.folder / table, tear)
    said = store.mend()
    assert f"{table} half written" in said[0]
    assert store.mend() == []
    taken(tmp_path / "logs", store)
    assert store.mend() == []
    same_as_clean(tmp_path, store)


@pytest.mark.parametrize("tear", ["file cut", "entry empty"])
@pytest.mark.parametrize("tables", [INTAKE + FACTS, ("events", "progress"), ("rejects", "events")])
def test_several_torn_tables(tmp_path: Path, loaded, tables: tuple[str, ...], tear: str):
    store = loaded(3)
    for table in tables:
        torn(store.folder / table, tear)
    assert store.mend()
    taken(tmp_path / "logs", store)
    same_as_clean(tmp_path, store)


@pytest.mark.parametrize("table", INTAKE)
def test_an_entry_without_its_last_line(tmp_path: Path, loaded, table: str):
    store = loaded()
    torn(store.folder / table, "no mark")
    assert store.mend()
    taken(tmp_path / "logs", store)
    same_as_clean(tmp_path, store)


@pytest.mark.parametrize("table", ["events", "progress"])
def test_an_entry_that_never_reached_the_disk(tmp_path: Path, loaded, table: str):
    store = loaded()
    newest(store.folder / table).unlink()
    store.mend()
    taken(tmp_path / "logs", store)
    same_as_clean(tmp_path, store)


@pytest.mark.parametrize("table", ["restated", "rejects", "progress"])
def test_a_load_that_died_before_its_events_and_is_torn_beside_them(tmp_path: Path, loaded, monkeypatch, table: str):
    store = loaded()
    commit = delta.commit

    def dying(path: Path, *args, **kwargs):
        if path.name == "events":
            raise KeyboardInterrupt
        return commit(path, *args, **kwargs)

    logs(tmp_path, 20)
    with monkeypatch.context() as patched:
        patched.setattr(delta, "commit", dying)
        with pytest.raises(KeyboardInterrupt):
            taken(tmp_path / "logs", store)
    torn(store.folder / table, "entry empty")
    held = delta.load_of(delta.opened(store.folder / "events"))
    assert store.mend()
    assert delta.load_of(delta.opened(store.folder / "events")) == held
    taken(tmp_path / "logs", store)
    same_as_clean(tmp_path, store)


@pytest.mark.parametrize("tear", ["hint empty", "hint blank", "checkpoint empty", "checkpoint cut"])
def test_a_torn_checkpoint(tmp_path: Path, tear: str):
    store = Store(tmp_path / "store")
    for n in range(15):
        store.append([reading(f"a{n}", [n], heads=n % 2)])
    for table in INTAKE:
        log = store.folder / table / "_delta_log"
        checkpoints = list(delta.entries(store.folder / table, delta.CHECKPOINT).values())
        if not checkpoints:
            continue
        checkpoint = checkpoints[-1]
        harm = {"hint": log / delta.HINT, "checkpoint": checkpoint}[tear.split()[0]]
        {"empty": lambda file: cut(file, 0), "blank": blanked, "cut": lambda file: cut(file, 0.5)}[tear.split()[1]](
            harm
        )
    store.mend()
    assert store.events().collect().height == 15
    for n in range(15, 25):
        store.append([reading(f"a{n}", [n])])
    assert store.events().collect().height == store.progress().collect().height == 25
    assert store.mend() == []


@pytest.mark.parametrize("tear", ["file missing", "entry blank"])
@pytest.mark.parametrize("table", INTAKE)
def test_a_tear_after_upkeep(tmp_path: Path, loaded, monkeypatch, table: str, tear: str):
    """Also the commit that put files together can be torn; no load is lost then."""
    monkeypatch.setattr(compact, "QUIET", timedelta(0))
    monkeypatch.setattr(compact, "MANY", 2)
    store = loaded(3)
    for _ in store.tidy():
        pass
    torn(store.folder / table, tear)
    assert store.mend()
    taken(tmp_path / "logs", store)
    same_as_clean(tmp_path, store)


def test_what_a_person_put_in_is_asked_for_again(tmp_path: Path, loaded):
    store = loaded()
    before = facts(store)
    for n in (1, 2):
        row = dict.fromkeys(SCRAP.columns) | {"machine": "T01", "shift": str(n), "quantity": n}
        store.put("scrap", SCRAP.conform(pl.LazyFrame([row])).collect(), by=("machine", "shift"))
    torn(store.folder / "scrap", "file cut")
    assert store.mend() == [
        f"{store.folder}: scrap half written, as by a power cut; put back to what was whole",
        f"{store.folder}: what was last put into scrap has to be put in again",
    ]
    assert store.held("scrap").collect()["quantity"].to_list() == [1]
    for name, frame in facts(store).items():
        assert_frame_equal(frame, before[name])


def test_the_files_to_be_read_again_are_named(tmp_path: Path, loaded):
    store = loaded()
    cut(added(store.folder / "events")[0], 0)
    assert store.mend() == [
        f"{store.folder}: events half written, as by a power cut; put back to what was whole",
        f"{store.folder}: to be read again from the logs: T01.csv, T02-10.log",
    ]


def test_a_mark_that_is_empty_is_written_anew(tmp_path: Path, loaded):
    store = loaded()
    cut(store.folder / "store.json", 0)
    store.mend()
    taken(logs(tmp_path, 20), store)
    same_as_clean(tmp_path, store)


def test_damage_beyond_that_is_told(tmp_path: Path, loaded):
    store = loaded(3)
    log = store.folder / "events" / "_delta_log"
    cut(newest(store.folder / "events"), 0)
    for entry in sorted(log.iterdir())[:-1]:
        entry.unlink()
    with pytest.raises(StoreError, match=r"move .*store away and read the logs into a new store"):
        store.mend()


@pytest.mark.parametrize("stop", [1, 2, 3, 5, 8])
def test_mending_that_is_interrupted_is_mended(tmp_path: Path, loaded, monkeypatch, stop: int):
    store = loaded(3)
    for table in ("rejects", "progress", "spans"):
        torn(store.folder / table, "entry half")
    unlink, count = Path.unlink, 0

    def dying(self: Path, missing_ok: bool = False) -> None:
        nonlocal count
        count += 1
        if count == stop:
            raise KeyboardInterrupt
        unlink(self, missing_ok=missing_ok)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "unlink", dying)
        with suppress(KeyboardInterrupt):
            store.mend()
    store.mend()
    taken(tmp_path / "logs", store)
    same_as_clean(tmp_path, store)

"""`ingest --again`: a file gives what it gives under the site file of today, and nothing of before."""

from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal
from watch.shop import HEADER, TEXT, facts, lines, rows, taken, told

from runlog.site import Site, parse_site
from runlog.store import Store


def corrected(*changes: tuple[str, str]) -> Site:
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return parse_site(text)


def logs(folder: Path) -> Path:
    folder.mkdir()
    (folder / "T01.csv").write_text(HEADER + rows(0, 20))
    (folder / "T02.log").write_text(lines(0, 20) + "2026-03-02T21:00:00Z|executoin|READY\n")
    return folder


def same_as_clean(folder: Path, store: Store, site: Site) -> None:
    clean = Store(store.folder.with_name("clean"))
    taken(folder, clean, site)
    assert_frame_equal(told(store), told(clean))
    wanted = facts(clean)
    for name, frame in facts(store).items():
        assert_frame_equal(frame, wanted[name])
    counts = ("path", "source", "events", "rejects", "ignored")
    for got, want in ((store.progress(), clean.progress()), (store.rejects(), clean.rejects())):
        held = [name for name in counts if name in got.collect_schema().names()]
        assert_frame_equal(got.select(held).collect().sort(held), want.select(held).collect().sort(held))


def test_a_key_added_to_the_site_file_is_read(tmp_path: Path):
    folder, store = logs(tmp_path / "logs"), Store(tmp_path / "store")
    taken(folder, store)
    site = corrected(('keys = { execution = { item = "EXECUTION" } }',
        'keys = { execution = { item = "EXECUTION" }, executoin = { item = "EXECUTION" } }'))  # fmt: skip
    assert taken(folder, store, site).progress.height == 0
    assert taken(folder, store, site, again=True).progress.height == 2
    same_as_clean(folder, store, site)


def test_a_source_renamed_and_a_machine_corrected_leave_nothing_behind(tmp_path: Path):
    folder, store = logs(tmp_path / "logs"), Store(tmp_path / "store")
    taken(folder, store)
    site = corrected(('name = "T02 log"', 'name = "lathe"'), ('machine = "T02"', 'machine = "T03"'),
        ('[[machine]]\nname = "T02"', '[[machine]]\nname = "T03"'))  # fmt: skip
    taken(folder, store, site, again=True)
    same_as_clean(folder, store, site)
    assert set(store.progress().collect()["machine"]) == {"T01", "T03"}
    back = corrected()
    taken(folder, store, back, again=True)
    assert set(store.events().collect()["machine"]) == {"T01", "T02"}
    assert store.progress().collect().height == 2


def test_equal_files_of_two_machines_both_stay(tmp_path: Path):
    folder, store = logs(tmp_path / "logs"), Store(tmp_path / "store")
    (folder / "T03.csv").write_text(HEADER + rows(0, 20))
    third = """[[machine]]
name = "T03"

[[source]]
name = "T03 log"
files = ["T03*.csv"]
format = "csv"
machine = "T03"
csv = { time = "time", signal = "signal", value = "value" }

[[job]]"""
    site = corrected(("[[job]]", third))
    taken(folder, store, site)
    taken(folder / "T03.csv", store, site, again=True)
    same_as_clean(folder, store, site)
    assert store.events().filter(pl.col("machine") == "T01").collect().height


def test_a_pattern_moved_to_another_source_takes_its_files_along(tmp_path: Path):
    folder, store = logs(tmp_path / "logs"), Store(tmp_path / "store")
    (folder / "T01b.csv").write_text(HEADER + rows(30, 50))
    taken(folder, store)
    site = corrected(('files = ["T01*.csv"]', 'files = ["T01.csv"]'), ('[[job]]', '[[source]]\nname = "b"\n'
        'files = ["T01b.csv"]\nformat = "csv"\nmachine = "T02"\n'
        'csv = { time = "time", signal = "signal", value = "value" }\n\n[[job]]'))  # fmt: skip
    taken(folder, store, site, again=True)
    same_as_clean(folder, store, site)


def test_a_grown_file_is_read_again_as_one(tmp_path: Path):
    folder, store = logs(tmp_path / "logs"), Store(tmp_path / "store")
    taken(folder, store)
    with (folder / "T01.csv").open("a") as file:
        file.write(rows(20, 30))
    taken(folder, store, again=True)
    taken(folder, store, again=True)
    same_as_clean(folder, store, parse_site(TEXT))
    raw = pl.scan_delta(str(store.folder / "events")).collect()
    assert raw.select("file", "line", "cell").is_duplicated().sum() == 0

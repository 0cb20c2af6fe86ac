"""Files that grow, through the store: each row once, what was read stays, and the end is that of a clean read."""

import gzip
from pathlib import Path

import polars as pl
import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from searching import examples
from watch.shop import HEADER, TEXT, facts, rows, told
from watch.shop import taken as taken_from

from runlog.intake import pieces
from runlog.pipeline import IngestReport
from runlog.site import parse_site
from runlog.store import Store

SHOP = parse_site(
    TEXT
    + """
[[machine]]
name = "T03"

[[source]]
name = "T03 agent"
files = ["T03*.xml"]
machine = "T03"
"""
)

LINES = "".join(
    f"2026-03-02T{22 + minute // 60}:{minute % 60:02}:{second:02}Z|{key}|{value}\n"
    for minute in range(90)
    for second, key, value in ((0, "execution", "ACTIVE"), (40, "execution", "READY"), (40, "part_count", minute))
)
CSV = HEADER + rows(0, 40)


def document(first: int, last: int, instance: int = 1) -> str:
    """An agent's answer: cycle start, end and counter of some minutes."""
    told = "".join(
        f'<{tag} dataItemId="{tag}" sequence="{3 * minute + at}" '
        f'timestamp="2026-03-02T{20 + minute // 60}:{minute % 60:02}:{20 * at:02}Z">{value}</{tag}>'
        for minute in range(first, last)
        for at, tag, value in ((0, "Execution", "ACTIVE"), (1, "Execution", "READY"), (2, "PartCount", minute))
    )
    return (
        '<?xml version="1.0"?><MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.8">'
        f'<Header instanceId="{instance}" firstSequence="0" nextSequence="{3 * last}"/><Streams><DeviceStream name="a">'
        f'<ComponentStream component="Path" componentId="p"><Events>{told}</Events></ComponentStream></DeviceStream>'
        "</Streams></MTConnectStreams>\n"
    )


XML = "".join(document(n, n + 5) for n in range(0, 60, 5)) + document(70, 80, instance=2)
TEXTS = (("T01.csv", CSV), ("T02.log", LINES), ("T03.xml", XML))


def taken(folder: Path, store: Store, *, again: bool = False) -> IngestReport:
    return taken_from(folder, store, SHOP, again=again)


def raw(store: Store) -> pl.DataFrame:
    """What lies in the table itself, repeats and all."""
    return pl.scan_delta(str(store.folder / "events")).collect()


def same_as_clean(folder: Path, store: Store) -> None:
    clean = Store(store.folder.with_name("clean"))
    taken(folder, clean)
    assert_frame_equal(told(store), told(clean))
    assert_frame_equal(*(s.rejects().drop("file", "read_at").collect().sort("path", "line") for s in (store, clean)))
    counted = ("path", "offset", "prefix", "rows", "offered", "events", "rejects", "unchanged", "ignored")
    assert_frame_equal(*(s.progress().select(counted).collect().sort("path") for s in (store, clean)))
    wanted = facts(clean)
    for name, frame in facts(store).items():
        assert_frame_equal(frame, wanted[name])
    assert raw(store).select("file", "line", "cell").is_duplicated().sum() == 0
    assert raw(store).height == raw(clean).height


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "logs").mkdir()
    return tmp_path / "logs"


@pytest.mark.parametrize(("name", "text"), TEXTS)
def test_a_grown_file_is_read_on_from_where_it_was_left(tmp_path, folder, name, text):
    store = Store(tmp_path / "store")
    middle = text.index("\n", len(text) // 2) + 1
    (folder / name).write_text(text[:middle])
    taken(folder, store)
    before = raw(store)
    (folder / name).write_text(text)
    taken(folder, store)
    after = raw(store)
    assert after.filter(pl.col("load") == 1).height == before.height
    assert after.filter(pl.col("load") == 2)["line"].min() > before["line"].max()  # type: ignore[operator]
    same_as_clean(folder, store)


def test_what_is_remembered_may_be_lost(tmp_path, folder):
    store = Store(tmp_path / "store")
    (folder / "T02.log").write_text(LINES[:2000])
    taken(folder, store)
    for path in (store.folder / "carry").iterdir():
        path.unlink()
    (folder / "T02.log").write_text(LINES)
    taken(folder, store)
    assert raw(store)["load"].unique().to_list() == [2]
    same_as_clean(folder, store)


def test_two_files_that_begin_alike_both_stay(tmp_path, folder):
    """A copy of the morning, and the file that was begun anew from it."""
    store = Store(tmp_path / "store")
    (folder / "T02.log").write_text(LINES[:2000])
    taken(folder, store)
    (folder / "T02.log").write_text(LINES)
    (folder / "T02 b.log").write_text(LINES[: LINES.index("\n", 2000) + 1] + LINES[-600:])
    taken(folder, store)
    taken(folder, store)
    same_as_clean(folder, store)


def test_a_run_that_died_between_two_pieces_goes_on(tmp_path, folder, monkeypatch):
    store = Store(tmp_path / "store")
    monkeypatch.setattr(pieces, "PIECE_BYTES", 1000)
    monkeypatch.setattr("runlog.pipeline.BATCH_FILES", 1)
    (folder / "T02.log").write_text(LINES)
    loads: list[int] = []
    append = store.append

    def dying(readings, **kwargs):
        if len(loads) == 3:
            raise KeyboardInterrupt
        append(readings, **kwargs)
        loads.append(len(readings))

    with monkeypatch.context() as patch:
        patch.setattr(store, "append", dying)
        with pytest.raises(KeyboardInterrupt):
            taken(folder, store)
    held = raw(store).height
    assert 0 < held < 180
    taken(folder, store)
    assert raw(store).filter(pl.col("load") <= 3).height == held
    same_as_clean(folder, store)


@settings(max_examples=examples(5), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_however_files_grow_the_end_is_the_same(tmp_path_factory, data):
    base = tmp_path_factory.mktemp("grows")
    folder, store = base / "logs", Store(base / "store")
    folder.mkdir()
    size = data.draw(st.sampled_from([400, 3000, pieces.PIECE_BYTES]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pieces, "PIECE_BYTES", size)
        for _ in range(data.draw(st.integers(1, 4))):
            for name, text in TEXTS:
                shorter = data.draw(st.integers(len(HEADER), len(text)))
                (folder / f"{data.draw(st.sampled_from(['', 'old ']))}{name}").write_text(text[:shorter])
            taken(folder, store, again=data.draw(st.integers(0, 5)) == 0)
        for path in folder.iterdir():
            path.unlink()
        for name, text in TEXTS:
            (folder / name).write_text(text)
        taken(folder, store)
    same_as_clean(folder, store)


# --- packed --------------------------------------------------------------------------------------------


def packed(text: str, how: str) -> bytes:
    return gzip.compress(text.encode()) if how == "gz" else zstandard.compress(text.encode())


@pytest.mark.parametrize("how", ["gz", "zst"])
@pytest.mark.parametrize(("name", "text"), [("T01.csv", CSV), ("T02.log", LINES), ("T02.log", LINES[:-3])])
def test_a_large_packed_file_is_read_in_pieces(tmp_path, folder, monkeypatch, name, text, how):
    store = Store(tmp_path / "store")
    (folder / f"{name}.{how}").write_bytes(packed(text, how))
    with monkeypatch.context() as patch:
        patch.setattr(pieces, "PIECE_BYTES", 1000)
        report = taken(folder, store)
        assert report.progress.height == 1
        assert len(pieces_of(store)) > 3
        assert taken(folder, store).progress.height == 0
    same_as_clean(folder, store)


def test_a_packed_file_whose_reading_died_is_read_again(tmp_path, folder, monkeypatch):
    store = Store(tmp_path / "store")
    (folder / "T02.log.gz").write_bytes(packed(LINES, "gz"))
    with monkeypatch.context() as patch:
        patch.setattr(pieces, "PIECE_BYTES", 1000)
        patch.setattr("runlog.pipeline.BATCH_FILES", 1)
        append, calls = store.append, []

        def dying(readings, **kwargs):
            if len(calls) == 3:
                raise KeyboardInterrupt
            append(readings, **kwargs)
            calls.append(1)

        with patch.context() as deadly:
            deadly.setattr(store, "append", dying)
            with pytest.raises(KeyboardInterrupt):
                taken(folder, store)
        assert raw(store).height > 0
        taken(folder, store)
        taken(folder, store, again=True)
    same_as_clean(folder, store)


def test_of_a_damaged_packed_file_nothing_is_kept(tmp_path, folder, monkeypatch):
    monkeypatch.setattr(pieces, "PIECE_BYTES", 1000)
    store = Store(tmp_path / "store")
    stored = packed(LINES, "gz")
    (folder / "T02.log.gz").write_bytes(stored[:-20])
    report = taken(folder, store)
    assert "a whole gzip file expected" in report.skipped[0].reason
    assert not store.exists()
    (folder / "T02.log.gz").write_bytes(stored)
    taken(folder, store)
    monkeypatch.undo()
    same_as_clean(folder, store)


def pieces_of(store: Store) -> list[int]:
    table = pl.scan_delta(str(store.folder / "progress"))
    return table.select(pl.col("begins").sort()).collect()["begins"].to_list()

"""Packed logs: what is inside counts, what unpacks without end is refused."""

import gzip
import io
import tracemalloc
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
import zstandard

from runlog.errors import ReadingError
from runlog.intake import read_file, source_for
from runlog.intake.packing import bare_name, members, packing, unpacked
from runlog.site import parse_site

SITE = parse_site("""
[site]
name = "shop"
time_zone = "UTC"
[[machine]]
name = "T01"
[[machine]]
name = "T02"
[[source]]
name = "first"
files = ["T01*.csv"]
machine = "T01"
csv = { time = "time" }
[[source]]
name = "second"
files = ["T02*.txt"]
machine = "T02"
""")
CSV = b"time,execution\n2026-03-02T06:00:00Z,ACTIVE\n2026-03-02T06:00:09Z,READY,\n"
LINES = b"2026-03-02T06:00:00Z|execution|ACTIVE\n2026-03-02T06:00:00Z|execution\n"
READ_AT = datetime(2026, 4, 1, tzinfo=UTC)


def zipped(**files: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return packed.getvalue()


@pytest.mark.parametrize(
    ("kind", "packed"), [("gzip", gzip.compress(CSV, mtime=0)), ("zstd", zstandard.compress(CSV)), ("not packed", CSV)]
)
def test_what_is_inside_comes_out(kind: str, packed: bytes):
    assert packing(packed) == kind
    assert unpacked(packed, "log") == CSV


def test_frames_and_members_one_after_the_other_are_one_file():
    assert unpacked(gzip.compress(CSV) + gzip.compress(LINES), "log") == CSV + LINES
    assert unpacked(zstandard.compress(CSV) + zstandard.compress(LINES), "log") == CSV + LINES


@pytest.mark.parametrize("pack", [gzip.compress, zstandard.compress])
def test_a_packed_file_cut_off_is_told(pack):
    with pytest.raises(ReadingError, match=r"a.log: .* found, a whole (gzip|zstd) file expected"):
        unpacked(pack(CSV * 1000)[:-9], "a.log")


def test_what_unpacks_without_end_is_refused_before_it_fills_the_memory():
    bomb = zstandard.compress(bytes(1024**3))
    tracemalloc.start()
    with pytest.raises(ReadingError, match="that unpack to more than"):
        unpacked(bomb, "bomb.zst")
    assert tracemalloc.get_traced_memory()[1] < 400 * 1024**2
    tracemalloc.stop()


def test_each_file_of_a_zip_is_read_by_its_own_source(tmp_path: Path):
    path = tmp_path / "week.zip"
    path.write_bytes(zipped(**{"T01.csv": CSV, "logs/T02.txt.gz": gzip.compress(LINES), "__MACOSX/T01.csv": b"?"}))
    source = source_for(path, SITE)
    assert source
    assert source.name == "first"
    reading = read_file(path, source, SITE, READ_AT)
    assert reading.events.select("machine", "source", "item", "line").rows() == [
        ("T01", "first", "EXECUTION", 2),
        ("T02", "second", "EXECUTION", 4),
    ]
    assert reading.events["file"].n_unique() == 1
    assert reading.rejects["reason"].to_list() == [
        "T01.csv line 3: 3 fields found, 2 expected",
        "logs/T02.txt.gz line 2: no key and value found, expected `stamp|key|value`",
    ]
    assert reading.progress.select("path", "format", "machine", "rows", "offered", "events", "rejects").rows() == [
        ("week.zip", "several", "", 4, 4, 2, 2)
    ]


def test_an_empty_zip_holds_nothing(tmp_path: Path):
    path = tmp_path / "T01.csv.zip"
    path.write_bytes(zipped())
    reading = read_file(path, SITE.source[0], SITE, READ_AT)
    assert (reading.events.height, reading.progress["offered"].to_list()) == (0, [0])


@pytest.mark.parametrize("content", [b"PK\x03\x04 and no more", zipped(a=CSV)[:-30]])
def test_a_damaged_zip_is_told(content: bytes):
    with pytest.raises(ReadingError, match="found, a whole zip file expected"):
        list(members(content, "a.zip"))


def test_a_zip_in_a_zip_is_refused():
    with pytest.raises(ReadingError, match="a zip file in a zip file found"):
        list(members(zipped(**{"b.zip": zipped(a=CSV)}), "a.zip"))


def test_names_lose_what_packing_added():
    names = ["a.csv", "a.csv.gz", "a.csv.zst", "b/a.csv.zip"]
    assert [bare_name(name) for name in names] == ["a.csv", "a.csv", "a.csv", "b/a.csv"]

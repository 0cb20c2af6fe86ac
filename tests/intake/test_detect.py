"""Which source claims a file, and what its bytes are."""

import gzip
from datetime import UTC, datetime
from pathlib import Path

import pytest

from runlog.errors import ReadingError
from runlog.intake import read_file, source_for
from runlog.intake.detect import detect
from runlog.intake.packing import unpacked
from runlog.site import parse_site

SITE = parse_site("""
[site]
name = "shop"
time_zone = "UTC"
[[machine]]
name = "T01"
[[source]]
name = "lines"
files = ["T01-*.txt"]
machine = "T01"
[[source]]
name = "table"
files = ["export/*.csv"]
machine = "T01"
csv = { time = "time", signal = "signal", value = "value" }
""")
LINES, TABLE = SITE.source
READ_AT = datetime(2026, 1, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    ("path", "name"),
    [
        ("logs/T01-20260104.txt", "lines"),
        ("logs/T01-20260104.txt.gz", "lines"),
        ("logs/t01-20260104.txt", None),
        ("shop/export/a.csv", "table"),
        ("shop/other/a.csv", None),
        ("export/deep/a.csv", None),
    ],
)
def test_source_is_found_by_name_or_by_the_end_of_the_path(path: str, name: str | None):
    source = source_for(Path(path), SITE)
    assert (source.name if source else None) == name


@pytest.mark.parametrize(
    ("content", "format"),
    [
        (b"2026-01-04T21:00:00Z|exec|READY\n", "adapter lines"),
        (b"* PONG 10000\n2026-01-04 21:00:00,5|a:exec|READY|b|c\n", "adapter lines"),
        (b'<?xml version="1.0"?>\n<MTConnectStreams/>', "mtconnect streams"),
        ("\ufeff<m:MTConnectStreams/>".encode("utf-16-le"), "mtconnect streams"),
        (b"", "adapter lines"),
    ],
)
def test_format_is_told_by_the_content(content: bytes, format: str):
    assert detect(content, LINES, "x") == format


def test_csv_needs_its_section_and_something_else_is_an_error():
    table = b"time;signal;value\n2026-01-04 21:00;exec;RUN\n"
    assert detect(table, TABLE, "x.csv") == "csv"
    with pytest.raises(ReadingError, match=r"x\.csv: 'time;signal;value' found, expected adapter lines"):
        detect(table, LINES, "x.csv")


def test_declared_format_wins():
    assert detect(b"<a/>", LINES.model_copy(update={"format": "csv"}), "x") == "csv"


def test_packed_file_reads_like_the_plain_one(tmp_path: Path):
    content = b"2026-01-04T21:00:00Z|exec|READY\n2026-01-04T21:00:01Z|exec|ACTIVE\n"
    (tmp_path / "a.txt").write_bytes(content)
    (tmp_path / "a.txt.gz").write_bytes(gzip.compress(content))
    plain, packed = (read_file(tmp_path / name, LINES, SITE, READ_AT) for name in ("a.txt", "a.txt.gz"))
    assert packed.events.drop("file").equals(plain.events.drop("file"))


def test_damaged_packed_file_and_missing_file_are_errors(tmp_path: Path):
    with pytest.raises(ReadingError, match=r"a\.gz: .* found, a whole gzip file expected"):
        unpacked(gzip.compress(b"x" * 1000)[:-9], "a.gz")
    with pytest.raises(ReadingError, match="No such file"):
        read_file(tmp_path / "gone.txt", LINES, SITE, READ_AT)

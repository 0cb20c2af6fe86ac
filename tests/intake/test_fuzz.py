"""Whatever a file holds: a reading whose account closes, or a ReadingError; in bounded memory and time."""

import gzip
import time
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from intake.animals import ANIMALS, ZOO, account_closes
from searching import examples

from runlog.errors import ReadingError
from runlog.inspect import inspect
from runlog.intake import read_bytes
from runlog.intake.walk import MOST_DEPTH, MOST_TEXT, MOST_TOKEN, walk
from runlog.site import parse_site

READ_AT = datetime(2026, 12, 1, tzinfo=UTC)
SITE = """
[site]
name = "shop"
time_zone = "Europe/Berlin"
[[machine]]
name = "T01"
[[machine]]
name = "T02"
[[source]]
name = "log"
files = ["*"]
format = "{format}"
{more}
ignore = ["spare"]
[source.keys]
exec = {{ item = "EXECUTION" }}
run = {{ item = "EXECUTION" }}
parts = {{ item = "PART_COUNT" }}
left = {{ item = "LENGTH", sub_type = "REMAINING" }}
alarm = {{ item = "CONDITION" }}
logic = {{ item = "CONDITION" }}
"""
OWN = 'machine = "T01"'
WAYS = {
    "csv long": ("csv", OWN + '\ncsv = { time = "time", signal = "signal", value = "value", code = "code" }'),
    "csv wide": ("csv", OWN + '\ncsv = { time = "time" }'),
    "csv of machines": ("csv", 'csv = { time = "time", machine = "machine" }'),
    "csv guessed": ("csv", OWN),
    "adapter lines": ("adapter lines", OWN),
    "devices": ("adapter lines", "clock_skew_s = 0"),
    "documents": ("mtconnect streams", OWN),
    "auto": ("auto", OWN),
}
SITES = {name: parse_site(SITE.format(format=format, more=more)) for name, (format, more) in WAYS.items()}
ALL = settings(max_examples=examples(40), deadline=None, suppress_health_check=[HealthCheck.too_slow])
BEASTS = {name: (ZOO / name).read_bytes() for name in ANIMALS}
SPICE = [
    b"|", b",", b";", b'"', b"\n", b"\r", b"\0", b"\xff", b"\xfe", b"<", b">", b"{", b"}", b"[", b"&x;", b"2026-03-29",
    b"2026-03-29 02:30:00", b"31/02/26", b"1e999", b"-9e18", b"99999999999999999", b"NaN", b"UNAVAILABLE", b"FAULT",
    b":", b"\xe2\x80\xaf", b"*", b"@ASSET@", b"--multiline--", b"<!DOCTYPE x [<!ENTITY a 'b'>]>",
    b"<?xml version='1.0'?>",
    b"time", b'"MTConnectStreams"', b"null", b"1,234.5", b"46083,25", b"0000-00-00T00:00:00Z", b"9999-12-31T23:59Z",
]  # fmt: skip


def reads_or_refuses(content: bytes, way: str) -> None:
    site = SITES[way]
    try:
        reading = read_bytes(content, "f", site.source[0], site, READ_AT, base=Path())
    except ReadingError:
        return
    assert account_closes(reading), reading.progress.to_dicts()
    assert not reading.events.select("machine", "at", "stamped", "item", "text").null_count().sum_horizontal().item()
    assert not (reading.rejects["reason"].fill_null("") == "").any()


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """A file of the zoo with bytes put in, taken out, put elsewhere or doubled, cut off, or joined with another."""
    content = BEASTS[draw(st.sampled_from(ANIMALS))]
    for _ in range(draw(st.integers(1, 6))):
        at, end = sorted(draw(st.tuples(st.integers(0, len(content)), st.integers(0, len(content)))))
        end = min(end, at + draw(st.sampled_from([0, 1, 8, 10_000])))
        put = draw(st.one_of(st.sampled_from(SPICE), st.binary(max_size=6), st.just(content[at:end] * 2)))
        content = content[:at] + put + content[end:]
    other = BEASTS[draw(st.sampled_from(ANIMALS))]
    cut = draw(st.integers(0, len(other)))
    return draw(st.sampled_from([content, content + other[cut:], content[: len(content) // 2] + other[cut:]]))


@pytest.mark.parametrize("way", WAYS)
@ALL
@given(content=st.binary(max_size=300))
def test_arbitrary_bytes(way: str, content: bytes):
    reads_or_refuses(content, way)


@pytest.mark.parametrize("way", WAYS)
@ALL
@given(content=mutated())
def test_mutated_cut_and_spliced_files(way: str, content: bytes):
    reads_or_refuses(content, way)


# A header in one encoding above rows in another: the reader takes another line as the header than it seems to be.
SPLICED = b"time,time,signal,value\n2026-03-02 06:03:00,parts,3\n" + "time;signal;value\r\n1;2;3\r\n".encode(
    "utf-16-be"
)


@settings(max_examples=examples(40), deadline=None)
@example(content=SPLICED, name="T01.csv")
@given(content=mutated(), name=st.sampled_from(["T01_2026-03-02.csv", "x.zip", "[a]*.txt", "2026"]))
def test_inspecting_mutated_files(tmp_path_factory: pytest.TempPathFactory, content: bytes, name: str):
    path = tmp_path_factory.getbasetemp() / name
    path.write_bytes(content)
    try:
        found = inspect(path)
    except ReadingError:
        return
    assert found.source_block


# --- bounds ------------------------------------------------------------------------------------------

HEAD = '<MTConnectStreams><Header instanceId="1"/><Streams><DeviceStream name="T01"><ComponentStream component="Path">'
ONE = '<Execution dataItemId="ex" sequence="1" timestamp="2026-03-02T05:00:00Z">ACTIVE</Execution>'


def refused(document: bytes, words: str, most_mb: float, most_s: float = 10.0) -> None:
    """A document is refused by these words, with its first observation kept, in so little memory and time."""
    began = time.monotonic()
    tracemalloc.start()
    found = walk(document)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert time.monotonic() - began < most_s
    assert peak < most_mb * 1024**2
    assert found.said == ["ACTIVE"]
    assert words in found.rejects[0][3]
    assert len(found.rejects[0][2]) <= 10_000


def attribute(megabytes: int) -> bytes:
    return (HEAD + "<Events>" + ONE + '<Program dataItemId="').encode() + b"a" * megabytes * 1024**2 + b'"/>'


def test_an_attribute_without_end_is_refused_after_its_first_part():
    refused(attribute(16), f"more than {MOST_TOKEN:,} bytes", most_mb=120)


def test_what_such_an_attribute_takes_is_a_few_copies_of_the_file_and_no_more():
    refused(attribute(64), f"more than {MOST_TOKEN:,} bytes", most_mb=5 * 64)


@pytest.mark.parametrize(
    ("rest", "words"),
    [
        ("<Events>" + ONE + "<x>" * 100_000, f"nested more than {MOST_DEPTH} deep"),
        ("<Events>" + ONE + "<Program>" + "a" * (MOST_TEXT + 10), f"more than {MOST_TEXT:,} characters"),
        ("<Events>" + ONE + "<!--" + "a" * (2 * MOST_TOKEN + 2**21), f"more than {MOST_TOKEN:,} bytes"),
    ],
)
def test_depth_text_and_comments_are_bounded(rest: str, words: str):
    refused((HEAD + rest).encode(), words, most_mb=120)


@pytest.mark.parametrize(
    "declaration",
    [
        '<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;">]>',
        '<!DOCTYPE x SYSTEM "file:///etc/passwd">',
        '<!DOCTYPE x [<!ENTITY % p SYSTEM "http://127.0.0.1:9/x.dtd"> %p;]>',
    ],
)
def test_declarations_are_refused_unread(declaration: str):
    found = walk(('<?xml version="1.0"?>' + declaration + HEAD + "<Events>" + ONE + "&c;").encode())
    assert found.said == []
    assert "document type declaration found" in found.rejects[0][3]


def test_deep_json_is_a_reject():
    deep = b'{"MTConnectStreams": ' + b'{"a": [' * 200_000
    site = SITES["auto"]
    reading = read_bytes(deep, "f", site.source[0], site, READ_AT, base=Path())
    assert reading.rejects.height == 1
    assert account_closes(reading)


def test_a_gzip_of_nothing_without_end_is_refused():
    site = SITES["auto"]
    bomb = gzip.compress(bytes(100 * 1024**2), compresslevel=6)
    with pytest.raises(ReadingError, match="that unpack to more than"):
        read_bytes(bomb, "f", site.source[0], site, READ_AT, base=Path())

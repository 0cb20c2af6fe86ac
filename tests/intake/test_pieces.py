"""A file read in pieces, or as it grows, gives what it gives as a whole."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from intake.growing import READ_AT, assert_same, ends_of, grown
from searching import examples

from runlog.errors import ReadingError
from runlog.intake import CannotFollowError, Carry, Onward, file_identity, pieces, read_file, read_pieces
from runlog.site import Site, parse_site

SITE = """
[site]
name = "shop"
time_zone = "Europe/Berlin"
[[machine]]
name = "T01"
[[machine]]
name = "T02"
[[source]]
name = "lines"
files = ["*.log"]
format = "adapter lines"
machine = "T01"
[source.keys]
e = { item = "EXECUTION" }
n = { item = "PART_COUNT" }
c = { item = "CONDITION" }
d = { item = "PART_COUNT", discrete = true }
[[source]]
name = "csv"
files = ["*.csv"]
[source.keys]
state = { item = "EXECUTION" }
parts = { item = "PART_COUNT" }
load = { item = "LOAD" }
[source.csv]
time = "time"
machine = "machine"
"""
SHOP: Site = parse_site(SITE)

KEYS = ("e", "n", "c", "d", "x", "s1", "s2", "s3", "s4", "s5")
VALUES = {"e": ("ACTIVE", "READY", "UNAVAILABLE"), "n": ("1", "2", "3", "1.0"), "d": ("1", "1", "2")}


@st.composite
def lines(draw: st.DrawFn) -> str:
    """Adapter lines with steps back small and large, repeats, conditions, holes in the stamp, and blank lines."""
    at, text = 1_000_000, ["* begun"]
    for _ in range(draw(st.integers(1, 40))):
        at += draw(st.sampled_from([0, 0, 1, 5, 30, 400, -1, -60, -119, -300, -4000, 100_000, -90_000]))
        stamp = datetime.fromtimestamp(1_770_000_000 + at, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        key = draw(st.sampled_from(KEYS))
        if key == "c":
            value = draw(st.sampled_from(["FAULT|7|||jam", "NORMAL||||", "WARNING|9|||low", "FAULT|8|||door"]))
        else:
            value = draw(st.sampled_from(VALUES.get(key, ("1", "2"))))
        odd = draw(st.integers(0, 30))
        text.append(
            {0: "", 1: f"|{key}|{value}", 2: "rubbish", 3: f"{stamp}|n|4|e|READY"}.get(odd, f"{stamp}|{key}|{value}")
        )
    return "\n".join(text) + draw(st.sampled_from(["", "\n"]))


@st.composite
def rows(draw: st.DrawFn) -> str:
    """A CSV of ticks with steps back, empty cells, decimal commas, quotes, clocks of an autumn night."""
    autumn = draw(st.booleans())
    at, text = (1_792_879_200 if autumn else 1_770_000_000), ["time,machine,state,parts,load"]
    form = draw(st.sampled_from(["%Y-%m-%d %H:%M:%S", "%d/%m/%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%Y-%m-%dT%H:%M:%SZ"]))
    for _ in range(draw(st.integers(1, 30))):
        at += draw(st.sampled_from([0, 1, 20, 600, 3000, -1, -70, -2000, 90_000]))
        stamp = datetime.fromtimestamp(at, UTC).strftime(form)
        machine = draw(st.sampled_from(["T01", "T01", "T02", "T09"]))
        state = draw(st.sampled_from(["ACTIVE", "READY", "", '"IN,TERRUPTED"']))
        load = draw(st.sampled_from(["", "1", "1.5", '"1,5"', '"1.234,5"', "1.234"]))
        line = f"{stamp},{machine},{state},{draw(st.integers(0, 3))},{load}"
        odd = draw(st.integers(0, 30))
        text.append({0: "", 1: "a,b", 2: text[0], 3: '"x\ny",T01,READY,1,2'}.get(odd, line))
    return "\n".join(text) + draw(st.sampled_from(["", "\n"]))


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("pieces")


@given(lines(), st.data())
@settings(max_examples=examples(100), deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_growing_lines_give_what_the_whole_gives(folder, text, data):
    path = folder / "T01.log"
    path.write_bytes(text.encode())
    whole = read_file(path, SHOP.source[0], SHOP, READ_AT)
    assert_same(grown(path, ends_of(text.encode(), data), SHOP.source[0], SHOP)[0], whole)


@given(rows(), st.data())
@settings(max_examples=examples(100), deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_a_growing_csv_gives_what_the_whole_gives(folder, text, data):
    content = text.encode()
    path = folder / "T01.csv"
    path.write_bytes(content)
    whole = read_file(path, SHOP.source[1], SHOP, READ_AT)
    first = text.index("\n") + 1
    ends = [end for end in ends_of(content, data) if end >= first]
    assert_same(grown(path, ends, SHOP.source[1], SHOP)[0], whole)


# --- what is read on, and what is not ------------------------------------------------------------------

NIGHT = "".join(
    f"2026-02-02T22:{minute:02}:{second:02}Z|{key}|{value}\n"
    for minute in range(50)
    for second, key, value in ((0, "e", "ACTIVE"), (30, "e", "READY"), (30, "n", minute))
)


def test_what_was_read_before_is_not_read_again(tmp_path):
    path = tmp_path / "T01.log"
    path.write_text(NIGHT)
    content = NIGHT.encode()
    cut = content.index(b"2026-02-02T22:30:00Z")
    readings = grown(path, [cut, len(content) - 4, len(content)], SHOP.source[0], SHOP)[0]
    shown = [one.progress.select("begins", "offset", "rows", "events", "rejects").row(0) for one in readings]
    # The second time the last line was cut off: it gave way to the whole one.
    last = content.rindex(b"\n", 0, -1) + 1
    assert shown == [(0, cut, 90, 90, 0), (cut, last, 59, 59, 0), (last, len(content), 1, 1, 0)]
    assert readings[1].events["line"].to_list() == [*range(91, 150)]
    assert len({*(one.progress["file"][0] for one in readings)}) == 1


def test_a_cut_off_line_is_read_under_a_name_of_its_own(tmp_path):
    path = tmp_path / "T01.log"
    path.write_text(NIGHT[:-4])
    whole, tail = read_pieces(path, SHOP.source[0], SHOP, READ_AT, base=tmp_path)
    assert tail.progress["file"][0].startswith(whole.progress["file"][0] + "~")
    assert (whole.carry is not None, tail.carry, tail.rejects.height) == (True, None, 1)


def test_many_small_steps_back_are_one_stretch_across_pieces(tmp_path):
    """Two steps back of 90 s: the last stamp before the cut is 180 s below the highest, but no step passes 120 s."""
    path = tmp_path / "T01.log"
    first = "".join(f"2026-02-02T{at}Z|n|{at[-1]}{at[-4]}\n" for at in ("22:59:50", "23:00:40", "22:59:10", "22:57:40"))
    path.write_text(NIGHT + first + "2026-02-02T22:59:20Z|e|ACTIVE\n")
    whole = read_file(path, SHOP.source[0], SHOP, READ_AT)
    readings, followed = grown(path, [len(NIGHT + first), path.stat().st_size], SHOP.source[0], SHOP)
    assert followed == 1
    assert whole.events["at"][-1] == datetime(2026, 2, 2, 23, 0, 40, tzinfo=UTC)
    assert_same(readings, whole)


@pytest.mark.parametrize("size", [200, 1000, 5000])
def test_a_large_file_is_read_piece_by_piece(tmp_path, monkeypatch, size):
    monkeypatch.setattr(pieces, "PIECE_BYTES", size)
    path = tmp_path / "T01.log"
    path.write_text(NIGHT)
    whole = read_file(path, SHOP.source[0], SHOP, READ_AT)
    found = list(read_pieces(path, SHOP.source[0], SHOP, READ_AT, base=tmp_path))
    assert len(found) >= len(NIGHT) / (2 * size)
    assert_same(found, whole)


@pytest.mark.parametrize(
    ("first", "then", "why"),
    [
        ("2026-02-02T22:30:00Z|e|ACTIVE\n", "2026-02-02T10:00:00Z|e|READY\n", "older than what is remembered"),
        ("", "|e|READY\n", "without a stamp"),
        ("", "2026-10-25T02:30:00|e|READY\n", "autumn"),
    ],
)
def test_what_needs_the_whole_file_says_so(tmp_path, first, then, why):
    path = tmp_path / "T01.log"
    path.write_text(NIGHT + first)
    (before,) = read_pieces(path, SHOP.source[0], SHOP, READ_AT, base=tmp_path)
    row = before.progress.row(0, named=True)
    assert before.carry
    path.write_text(NIGHT + first + then)
    onward = Onward(row["file"], row["offset"], row["prefix"], before.carry)
    with pytest.raises(CannotFollowError, match=why):
        list(read_pieces(path, SHOP.source[0], SHOP, READ_AT, base=tmp_path, onward=onward))


def test_what_must_be_read_as_a_whole_and_is_too_large_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(pieces, "MOST_BYTES", 4000)
    monkeypatch.setattr(pieces, "PIECE_BYTES", 1000)
    path = tmp_path / "T01.log"
    path.write_text(NIGHT)
    source, whole = SHOP.source[0], NIGHT.encode()
    chosen = (len(whole), file_identity(whole, source))
    assert list(read_pieces(path, source, SHOP, READ_AT, base=tmp_path, chosen=chosen))
    with pytest.raises(ReadingError, match="split it by day"):
        list(read_pieces(path, source, SHOP, READ_AT, base=tmp_path, chosen=chosen, as_whole=True))


def test_a_log_of_thousands_of_rows_a_second_is_read_on(tmp_path):
    path = tmp_path / "T01.log"
    text = "".join(f"2026-02-02T22:00:{n // 2000:02}.{n % 2000 * 500:06}Z|n|{n}\n" for n in range(60_000))
    path.write_text(text)
    readings, followed = grown(path, [text.index("\n", len(text) // 2) + 1, len(text)], SHOP.source[0], SHOP)
    assert followed == 1
    assert sum(one.events.height for one in readings) == 60_000


def test_what_is_remembered_and_not_whole_is_as_if_it_were_not_there(tmp_path):
    path = tmp_path / "T01.log"
    path.write_text(NIGHT)
    (reading,) = read_pieces(path, SHOP.source[0], SHOP, READ_AT, base=tmp_path)
    assert reading.carry
    stored = reading.carry.to_bytes()
    assert Carry.from_bytes(stored) is not None
    for torn in (b"", b"\n", b"{}", stored[:20], stored[:-100], stored[:-1] + b"\0" * 9):
        assert Carry.from_bytes(torn) is None or torn.startswith(stored[:-1])

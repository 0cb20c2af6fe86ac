"""A file of documents read in pieces, or as it grows, gives what it gives as a whole."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from intake.growing import READ_AT, assert_same, ends_of, grown
from searching import examples

from runlog.intake import CannotFollowError, Onward, Reading, pieces, read_file, read_pieces
from runlog.intake.walk import Starts
from runlog.site import Site, parse_site

SHOP: Site = parse_site(
    """
[site]
name = "shop"
time_zone = "Europe/Berlin"
[[machine]]
name = "T01"
[[source]]
name = "agent"
files = ["*.xml"]
machine = "T01"
"""
)
SOURCE = SHOP.source[0]


def observation(number: int, tag: str, id: str, text: str, second: int = 0, more: str = "") -> str:
    stamp = datetime.fromtimestamp(1_770_000_000 + second, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return f'<{tag} dataItemId="{id}" sequence="{number}" timestamp="{stamp}"{more}>{text}</{tag}>'


def document(
    *observed: str, instance: int = 1, first: int = 1, next: int = 0, component: str = "Path", **more: str
) -> str:
    device = more.get("device", "lathe7")
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.8"'
        f'{more.get("spaces", "")}><Header instanceId="{instance}" firstSequence="{first}" nextSequence="{next}"/>'
        f'<Streams><DeviceStream name="{device}"><ComponentStream component="{component}" componentId="{component}">'
        f"<{more.get('kind', 'Events')}>{''.join(observed)}</{more.get('kind', 'Events')}></ComponentStream>"
        "</DeviceStream></Streams></MTConnectStreams>\n"
    )


def notes(readings: list[Reading]) -> set[str]:
    return {note for one in readings for note in one.progress["note"][0].split("; ")} - {""}


@st.composite
def streams(draw: st.DrawFn) -> bytes:
    """Answers of agents: samples that go on, leave out, overlap or restate, agents begun anew, damage and junk."""
    text: list[str] = []
    instance, number, second = 1, 1, 1000
    told: list[tuple[int, str]] = []
    odd = draw(st.one_of(st.just(set()), st.sets(st.integers(0, 12), max_size=2)))
    for _ in range(draw(st.integers(2, 8))):
        event = draw(st.integers(0, 30))
        if event < 3:
            instance, number, told = draw(st.sampled_from([instance + 1, instance + 1, 1])), 1, []
        elif event < 6:
            number += 5
        observed = []
        if told and draw(st.integers(0, 2)) == 0:
            again = draw(st.lists(st.sampled_from(told), max_size=3)) if 0 in odd else told[-draw(st.integers(1, 4)) :]
            observed += [shown for _, shown in again]
        for _ in range(draw(st.integers(0, 5))):
            second += draw(st.sampled_from([0, 0, 1, 20, 400, -1, -60, -119, -300, 4000, -100_000 if 1 in odd else 0]))
            kinds = [
                ("Execution", "ex", ["ACTIVE", "READY"], ""),
                ("PartCount", "pc", ["1", "2", "1.0"], ""),
                ("Fault", "c", ["jam"], ' type="SYSTEM" nativeCode="7"'),
                ("Warning", "c", ["low"], ' type="SYSTEM" nativeCode="8"'),
                ("Normal", "c", [""], ' type="SYSTEM"'),
                ("x:Own", "x", ["1", "&#252;", "ü"], ""),
            ]
            if 2 in odd:
                kinds.append(("RotaryVelocity", "s", ["100"], ""))
            tag, id, values, more = draw(st.sampled_from(kinds))
            shown = observation(number, tag, id, draw(st.sampled_from(values)), second, more)
            if 3 in odd and draw(st.booleans()):
                shown = shown.replace(f'sequence="{number}"', "")
            told.append((number, shown))
            observed.append(shown)
            number += 1 if draw(st.integers(0, 9)) else 0
        spaces = ' xmlns:x="urn:example.com:Ext:1.8"'
        if 4 in odd and draw(st.booleans()):
            spaces = ' xmlns:x="urn:mtconnect.org:MTConnectStreams:1.8"'
        made = document(
            *(draw(st.permutations(observed)) if draw(st.booleans()) else observed),
            instance=instance,
            first=draw(st.sampled_from([1, 1, number])),
            next=number,
            component=draw(st.sampled_from(["Path", "Path", "Rotary", "Device", "Agent"] if 2 in odd else ["Path"])),
            kind=draw(st.sampled_from(["Events", "Condition"])),
            device=draw(st.sampled_from(["lathe7", "lathe8" if 5 in odd else "lathe7"])),
            spaces=spaces,
        )
        made = made if draw(st.booleans()) else made.partition("?>\n")[2]
        trouble = draw(st.integers(0, 5))
        if 6 in odd and trouble < 2:
            made = made[: draw(st.integers(1, len(made)))]
        if 7 in odd and trouble < 2:
            made = made.replace("<Header", "<Heading")
        if 8 in odd and trouble < 2:
            made = made.replace("MTConnectStreams", "MTConnectError")
        if 9 in odd and trouble < 2:
            made += draw(
                st.sampled_from(["<!-- c -->", "<!-- - -- -->", "<?p i?>", "\x01", "\ufeff", "<!DOCTYPE a>", "<a/>"])
            )
        if 10 in odd and trouble < 3:
            made += f"\n--bound\nContent-type: text/xml\nContent-length: {len(made)}\n\n"
        if 11 in odd and trouble < 2:
            made += draw(st.sampled_from(["log text\n", "<MTConnect", "<?xml", "</MTConnectStreams>", "\n \n"]))
        text.append(made)
    content = "".join(text).encode()
    return content.replace("ü".encode(), b"\xfc", 1) if 12 in odd else content


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("documents")


@given(streams(), st.data(), st.sampled_from([300, 1500, pieces.PIECE_BYTES]))
@settings(max_examples=examples(150), deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_growing_documents_give_what_the_whole_gives(folder, content, data, size):
    path = folder / "agent.xml"
    path.write_bytes(content)
    whole = read_file(path, SOURCE, SHOP, READ_AT)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pieces, "PIECE_BYTES", size)
        readings, _ = grown(path, ends_of(content, data), SOURCE, SHOP)
    assert_same(readings, whole)
    assert notes(readings) == notes([whole])


# --- what is read on, and what is not ------------------------------------------------------------------


def night(first: int, last: int, instance: int = 1) -> str:
    """A document with a change every ten seconds."""
    told = [
        observation(n, "Execution", "ex", "ACTIVE" if n % 3 == 1 else "READY", 10 * n) if n % 3 else
        observation(n, "PartCount", "pc", str(n), 10 * n)
        for n in range(first, last)
    ]  # fmt: skip
    return document(*told, instance=instance, next=last)


NIGHT = night(1, 40) + night(40, 80) + night(80, 120)


def test_only_new_documents_are_read(tmp_path):
    path = tmp_path / "agent.xml"
    path.write_text(NIGHT)
    ends = [len(night(1, 40)), len(night(1, 40)) + 300, len(NIGHT)]
    readings, followed = grown(path, ends, SOURCE, SHOP)
    shown = [one.progress.select("begins", "events", "rejects").row(0) for one in readings]
    assert shown == [(0, 39, 0), (ends[0], 80, 0)]
    assert followed == 2
    assert len({*(one.progress["file"][0] for one in readings)}) == 1
    assert readings[1].events["line"].to_list() == [*range(40, 120)]


def test_an_unfinished_document_is_read_under_a_name_of_its_own(tmp_path):
    path = tmp_path / "agent.xml"
    path.write_text(NIGHT[:-200])
    whole, tail = read_pieces(path, SOURCE, SHOP, READ_AT, base=tmp_path)
    assert tail.progress["file"][0].startswith(whole.progress["file"][0] + "~")
    assert (whole.events.height, tail.carry, tail.rejects.height) == (79, None, 1)
    assert 0 < tail.events.height < 40


@pytest.mark.parametrize("size", [1000, 3000, 20_000])
def test_a_large_file_is_read_piece_by_piece(tmp_path, monkeypatch, size):
    monkeypatch.setattr(pieces, "PIECE_BYTES", size)
    path = tmp_path / "agent.xml"
    text = "".join(night(n, n + 10) for n in range(1, 400, 10)) + night(1, 40, instance=2) + night(60, 80, instance=2)
    path.write_text(text)
    whole = read_file(path, SOURCE, SHOP, READ_AT)
    found = list(read_pieces(path, SOURCE, SHOP, READ_AT, base=tmp_path))
    assert len(found) >= len(text) / (2 * max(size, 1500))
    assert_same(found, whole)
    assert notes(found) == notes([whole])


def test_what_is_told_again_counts_once(tmp_path):
    """`current` again and again: each item with the sequence it last had."""
    one = [observation(n, "Execution", f"e{n}", "READY", n) for n in range(1, 9)]
    text = document(*one, next=9)
    for n in range(9, 30):
        one[n % 8] = observation(n, "Execution", f"e{n % 8 + 1}", "ACTIVE" if n // 8 % 2 else "READY", n)
        text += document(*one, next=n + 1)
    path = tmp_path / "agent.xml"
    path.write_text(text)
    whole = read_file(path, SOURCE, SHOP, READ_AT)
    starts = Starts(is_all=True).look(text.encode())
    readings, followed = grown(path, [*starts[1:], len(text)], SOURCE, SHOP)
    assert followed == 21
    assert_same(readings, whole)
    assert whole.progress["ignored"].item() == 21 * 7


@pytest.mark.parametrize(
    ("then", "why"),
    [
        (night(10, 20), None),
        (night(120, 130), None),
        (night(1, 20, instance=2), None),
        (document(observation(50, "Execution", "ex", "STOPPED")), "not above"),
        (document(observation(130, "Execution", "ex", "READY", -90_000)), "older than what is remembered"),
        (document(observation(130, "Execution", "ex", "READY", 1300), device="lathe8"), "second device"),
        (document(observation(130, "Execution", "ex", "READY", 1300)).replace("Header", "Heading"), "header"),
        (document(observation(130, "Execution", "ex", "\xe4", 1300)), "encoding"),
        (document(observation(130, "Execution", "ex", "READY", 1300)).replace("sequence", "x"), "without a sequence"),
    ],
)  # fmt: skip
def test_what_needs_the_whole_file_says_so(tmp_path, then, why):
    path = tmp_path / "agent.xml"
    path.write_text(NIGHT)
    (before,) = read_pieces(path, SOURCE, SHOP, READ_AT, base=tmp_path)
    row = before.progress.row(0, named=True)
    assert before.carry
    path.write_bytes(NIGHT.encode() + then.encode("latin-1"))
    onward = Onward(row["file"], row["offset"], row["prefix"], before.carry)
    if why is None:
        assert len(list(read_pieces(path, SOURCE, SHOP, READ_AT, base=tmp_path, onward=onward))) == 1
    else:
        with pytest.raises(CannotFollowError, match=why):
            list(read_pieces(path, SOURCE, SHOP, READ_AT, base=tmp_path, onward=onward))


@given(streams(), st.data())
@settings(max_examples=examples(200), deadline=None)
def test_where_documents_start_does_not_depend_on_how_bytes_come(content, data):
    starts, found = Starts(is_all=False), []
    for end in ends_of(content, data):
        found = [*starts.look(content[:end])]
    # The last may be left open.
    whole = Starts(is_all=True).look(content)
    assert found in (whole, whole[:-1])

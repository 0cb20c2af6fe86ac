"""MTConnectStreams documents: small ones, with the answer worked by hand."""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.intake.devices import Devices, parse_devices
from runlog.intake.reading import Offered, Part, finish
from runlog.intake.streams import read_streams
from runlog.site import parse_site

SITE = """
[site]
name = "shop"
time_zone = "Europe/Berlin"
[[machine]]
name = "T01"
[[machine]]
name = "T02"
[[source]]
name = "agent"
files = ["*.xml"]
"""
ONE = SITE + 'machine = "T01"\n'


def document(*components: str, device: str = 'name="lathe7" uuid="u7"', instance: int = 1) -> str:
    return (
        '<?xml version="1.0" encoding="UTF-8"?><?xml-stylesheet type="text/xsl" href="s.xsl"?>\n'
        '<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.8"'
        ' xmlns:m="urn:mtconnect.org:MTConnectStreams:1.8"'
        f' xmlns:x="urn:example.com:Ext:1.8"><Header instanceId="{instance}" version="1.8"/><Streams>'
        f"<DeviceStream {device}>{''.join(components)}</DeviceStream></Streams></MTConnectStreams>\n"
    )


def component(type: str, *observations: str, name: str = "", kind: str = "Events") -> str:
    return (
        f'<ComponentStream component="{type}" name="{name}" componentId="{type}{name}">'
        f"<{kind}>{''.join(observations)}</{kind}></ComponentStream>"
    )


def one(tag: str, id: str, sequence: int, second: int, text: str, more: str = "") -> str:
    stamp = f"2026-01-04T21:00:{second:02}Z"
    return f'<{tag} dataItemId="{id}" sequence="{sequence}" timestamp="{stamp}" {more}>{text}</{tag}>'


def offered(content: str | bytes, site: str = ONE, devices: Devices | None = None) -> Offered:
    checked = parse_site(site)
    data = content if isinstance(content, bytes) else content.encode()
    return read_streams(data, checked.source[0], checked, devices or Devices())


def rows(content: str | bytes, *columns: str, site: str = ONE, devices: Devices | None = None) -> list[tuple]:
    return offered(content, site, devices).observations.select(columns).rows()


def reasons(content: str | bytes, site: str = ONE) -> list[str]:
    return offered(content, site).rejects["reason"].to_list()


PATH = component(
    "Path",
    one("Execution", "ex", 3, 9, " active\n"),
    one("Execution", "ex", 1, 5, "READY"),
    one("Program", "pr", 2, 5, "o4711"),
)


def test_sequence_orders_not_the_document_nor_the_stamp():
    assert rows(document(PATH), "line", "item", "component", "data_item", "text", "stamped") == [
        (1, "EXECUTION", "path", "ex", "READY", datetime(2026, 1, 4, 21, 0, 5, tzinfo=UTC)),
        (2, "PROGRAM", "path", "pr", "o4711", datetime(2026, 1, 4, 21, 0, 5, tzinfo=UTC)),
        (3, "EXECUTION", "path", "ex", "ACTIVE", datetime(2026, 1, 4, 21, 0, 9, tzinfo=UTC)),
    ]


def test_several_conditions_of_one_item_keep_their_identity():
    faults = component(
        "BarFeeder",
        one("Fault", "c", 20, 0, "Collet", 'type="SYSTEM" nativeCode="A1" conditionId="77"'),
        one("Warning", "c", 21, 0, " Oil ", 'type="SYSTEM" nativeCode="B2"'),
        '<Normal dataItemId="c" sequence="22" timestamp="2026-01-04T21:01:00Z" type="SYSTEM" nativeCode="A1"/>',
        '<Unavailable dataItemId="c" sequence="23" timestamp="2026-01-04T21:02:00Z" type="SYSTEM"/>',
        kind="Condition",
    )
    columns = ("item", "component", "type", "text", "level", "code", "condition_id", "message")
    assert rows(document(faults), *columns) == [
        ("CONDITION", "feeder", "SYSTEM", "FAULT", "FAULT", "A1", "77", "Collet"),
        ("CONDITION", "feeder", "SYSTEM", "WARNING", "WARNING", "B2", "B2", "Oil"),
        ("CONDITION", "feeder", "SYSTEM", "NORMAL", "NORMAL", "A1", "A1", None),
        ("CONDITION", "feeder", "SYSTEM", "UNAVAILABLE", "UNAVAILABLE", None, "", None),
    ]


def test_components_are_guessed_by_type_in_order_of_appearance():
    content = document(
        component("Rotary", one("Angle", "c1", 1, 0, "1"), name="C", kind="Samples"),
        component("Rotary", one("RotaryVelocity", "s1", 2, 0, "900"), name="S1", kind="Samples"),
        component("Rotary", one("RotaryVelocity", "t1", 3, 0, "0"), name="S2", kind="Samples"),
        component("Stock", one("Length", "le", 4, 0, "1200", 'subType="REMAINING"'), kind="Samples"),
        component("Device", one("Availability", "av", 5, 0, "AVAILABLE"), name="lathe7"),
    )
    assert rows(content, "item", "sub_type", "component", "number") == [
        ("ANGLE", "", "c", 1.0),
        ("ROTARY_VELOCITY", "ACTUAL", "main", 900.0),
        ("ROTARY_VELOCITY", "ACTUAL", "sub", 0.0),
        ("LENGTH", "REMAINING", "feeder", 1200.0),
        ("AVAILABILITY", "", "", None),
    ]


def test_several_paths_keep_their_names():
    content = document(
        component("Path", one("Execution", "e1", 1, 0, "READY"), name="P1"),
        component("Path", one("Execution", "e2", 2, 0, "READY"), name="P2"),
    )
    assert rows(content, "component") == [("p1",), ("p2",)]


def test_device_document_and_site_file_say_where_an_item_belongs():
    probe = b"""<MTConnectDevices><Header version="1.8"/><Devices><Device name="lathe7" uuid="u7"><Components>
    <Loader name="arm"><DataItems><DataItem id="z1" type="DOOR_STATE" category="EVENT"/></DataItems></Loader>
    </Components></Device></Devices></MTConnectDevices>"""
    content = document(component("Thing", one("DoorState", "z1", 1, 0, "open"), one("Mark", "z2", 2, 0, "yes")))
    site = ONE + '[source.keys]\nZ2 = { item = "END_OF_BAR", component = "feeder" }\n'
    assert rows(content, "item", "sub_type", "component", "text", site=site, devices=parse_devices(probe)) == [
        ("DOOR_STATE", "", "feeder", "OPEN"),
        ("END_OF_BAR", "PRIMARY", "feeder", "YES"),
    ]


def test_extensions_discrete_items_data_sets_tables_and_series_are_kept():
    content = document(
        component(
            "Path",
            one("x:ToolGroup", "x1", 1, 0, "7"),
            one("PartCountDiscrete", "pc", 2, 0, "1"),
            one("VariableDataSet", "v", 3, 0, '<Entry key="a">7</Entry><Entry key="b" removed="true"/>', 'count="2"'),
            one("WorkOffsetTable", "w", 4, 0, '<Entry key="G54"><Cell key="X">1</Cell><Cell key="Y">2</Cell></Entry>'),
            one("LoadTimeSeries", "l", 5, 0, "1 2 3", 'sampleCount="3"'),
            one("m:Line", "li", 6, 0, "12"),
        )
    )
    assert rows(content, "item", "text", "discrete") == [
        ("x:TOOL_GROUP", "7", False),
        ("PART_COUNT", "1", True),
        ("VARIABLE", "a=7 b=", False),
        ("WORK_OFFSET", "G54={X=1 Y=2}", False),
        ("LOAD", "1 2 3", False),
        ("LINE", "12", False),
    ]


def test_devices_go_to_their_machines_and_an_unknown_one_is_a_reject():
    site = SITE + 'machines = { u7 = "T02" }\n'
    assert rows(document(PATH), "machine", site=site) == [("T02",)] * 3
    assert rows(document(PATH, device='name="T01"'), "machine", site=site) == [("T01",)] * 3
    assert reasons(document(PATH, device='name="lathe9"'), site)[0].startswith("no machine known for this device")


def test_one_machine_cannot_be_several_devices():
    other = document(PATH, device='name="lathe9"').split("<Streams>")[1].split("</Streams>")[0]
    both = document(PATH, device='name="t01"').replace(
        "</Streams>", other.replace('sequence="', 'sequence="1') + "</Streams>"
    )
    assert rows(both, "machine") == [("T01",)] * 3
    assert len(reasons(both)) == 3


def test_agents_own_device_is_ignored():
    got = offered(document(component("Agent", one("Availability", "aa", 1, 0, "AVAILABLE")), device='name="Agent"'))
    assert (got.observations.height, got.ignored) == (0, 1)


def test_instances_are_not_mixed():
    restart = document(component("Path", one("Execution", "ex", 1, 1, "STOPPED")), instance=2)
    got = rows(document(PATH) + restart, "instance", "line", "text")
    assert got == [("1", 1, "READY"), ("1", 2, "o4711"), ("1", 3, "ACTIVE"), ("2", 1, "STOPPED")]


def test_overlapping_documents_of_one_file_count_once_and_a_clash_is_a_reject():
    got = offered("--boundary\n" + document(PATH) + "--boundary\nContent-type: text/xml\n\n" + document(PATH))
    assert (got.observations.height, got.ignored, got.rejects.height) == (3, 3, 0)
    clash = document(component("Path", one("Execution", "ex", 3, 9, "STOPPED")))
    assert reasons(document(PATH) + clash) == [
        "sequence found a second time with other content, expected once in an instance"
    ]


BOMB = """<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>
<MTConnectStreams><Streams><DeviceStream name="T01"><ComponentStream component="Path"><Events>
<Program dataItemId="p" timestamp="2026-01-04T21:00:00Z" sequence="1">&b;</Program>
</Events></ComponentStream></DeviceStream>
</Streams></MTConnectStreams>"""


def test_entities_are_refused():
    assert rows(BOMB, "text") == []
    assert reasons(BOMB) == ["document type declaration found, none expected: entities are never followed"]


def test_of_a_truncated_document_what_is_complete_is_kept():
    whole = document(PATH)
    cut = whole[: whole.index("o4711") + 2]
    assert rows(cut, "line", "text") == [(1, "READY"), (3, "ACTIVE")]
    refused = offered(cut).rejects
    assert refused["raw"].item().startswith('<Program dataItemId="pr"')
    assert f"at byte {len(cut)} of {len(cut)}" in refused["reason"].item()


def test_damage_in_the_middle_is_told_with_its_place():
    assert reasons(document(PATH).replace("o4711", "o & 1"))[0].startswith("not well-formed (invalid token) at byte")


@pytest.mark.parametrize("root", ["MTConnectDevices", "MTConnectError"])
def test_other_documents_are_rejects(root: str):
    assert reasons(f"<{root}/>") == [f"{root} found, MTConnectStreams expected"]


@pytest.mark.parametrize(
    "content",
    [
        document(PATH).encode("utf-16"),
        b"\xef\xbb\xbf" + document(PATH).encode(),
        document(PATH).replace("o4711", "o\x014711").encode(),
        document(PATH).replace("UTF-8", "ISO-8859-1").encode("latin-1"),
    ],
)
def test_encodings_and_control_characters(content: bytes):
    assert [text for (text,) in rows(content, "text")][::2] == ["READY", "ACTIVE"]


def test_wrongly_declared_latin_1_is_read_and_told():
    got = offered(document(PATH).replace("o4711", "Wälle").encode("latin-1"))
    assert got.observations["text"].to_list()[1] == "Wälle"
    assert "Latin-1" in got.note


def test_missing_sequence_leaves_the_order_of_the_document():
    content = document(PATH).replace('sequence="1"', "")
    assert rows(content, "line", "text") == [(1, "ACTIVE"), (2, "READY"), (3, "o4711")]


def test_unreadable_stamp_is_a_reject():
    assert reasons(document(PATH).replace("21:00:09Z", "21h"))[0].startswith("time found: not readable")


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 1500), st.binary(max_size=12), st.booleans())
def test_whatever_the_bytes_nothing_vanishes(place: int, junk: bytes, cut: bool):
    content = document(PATH).encode()
    content = content[:place] + junk + (b"" if cut else content[place:])
    site = parse_site(ONE)
    got = offered(content)
    done = finish(
        got,
        source=site.source[0],
        part=Part("f", 0, 0, "f"),
        path="p",
        format="mtconnect streams",
        clock_skew_s=120.0,
        zone="UTC",
        read_at=datetime(2026, 1, 5, tzinfo=UTC),
    )
    account = done.progress.row(0, named=True)
    assert account["offered"] == account["events"] + account["rejects"] + account["unchanged"] + account["ignored"]
    # Control characters are read as blanks.
    assert account["offered"] == 3 or account["rejects"] > 0 or not content.strip(bytes(range(33)))

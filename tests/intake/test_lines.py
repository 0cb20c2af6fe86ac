"""Adapter lines: every irregularity recordings hold, each in a log of a few lines with the answer worked by hand."""

from datetime import UTC, datetime

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.intake.devices import Devices, parse_devices
from runlog.intake.lines import read_lines
from runlog.intake.reading import Offered, Part, finish
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
name = "T01 log"
files = ["*"]
"""
KEYS = """
[source.keys]
exec = { item = "EXECUTION", component = "path" }
mode = { item = "CONTROLLER_MODE", component = "path" }
prog = { item = "PROGRAM", component = "path" }
parts = { item = "PART_COUNT", component = "path" }
spin = { item = "ROTARY_VELOCITY", component = "main" }
sys = { item = "CONDITION", component = "path", type = "SYSTEM" }
msg = { item = "MESSAGE" }
bell = { item = "BELL", discrete = true }
"""
ONE = SITE + 'machine = "T01"\n' + KEYS
READ_AT = datetime(2026, 1, 5, tzinfo=UTC)


def offered(log: str | bytes, site: str = ONE, devices: Devices | None = None) -> Offered:
    checked: Site = parse_site(site)
    content = log if isinstance(log, bytes) else log.encode()
    return read_lines(content, checked.source[0], checked, devices or Devices())


def rows(log: str | bytes, *columns: str, site: str = ONE, devices: Devices | None = None) -> list[tuple]:
    return offered(log, site, devices).observations.select(columns).rows()


def refused(log: str | bytes, site: str = ONE) -> list[tuple[int, str, str]]:
    return offered(log, site).rejects.select("line", "raw", "reason").rows()


def utc(second: float, minute: int = 0) -> datetime:
    whole, part = divmod(round(second * 1e6), 1_000_000)
    return datetime(2026, 1, 4, 21, minute, whole, part, tzinfo=UTC)


# --- pairs -----------------------------------------------------------------------------------------


def test_one_pair_and_several_pairs_a_line():
    log = "2026-01-04T21:00:00Z|exec|ACTIVE\n2026-01-04T21:00:01Z|mode|AUTOMATIC|prog|O4711|parts|7\n"
    assert rows(log, "line", "cell", "stamped", "item", "text", "number") == [
        (1, 0, utc(0), "EXECUTION", "ACTIVE", None),
        (2, 0, utc(1), "CONTROLLER_MODE", "AUTOMATIC", None),
        (2, 1, utc(1), "PROGRAM", "O4711", None),
        (2, 2, utc(1), "PART_COUNT", "7", 7.0),
    ]


def test_listed_values_are_upper_case_and_free_text_is_only_trimmed():
    log = "2026-01-04T21:00:00Z|exec| active |prog| o4711 (Ring) |parts|unavailable\n"
    assert rows(log, "text", "number") == [("ACTIVE", None), ("o4711 (Ring)", None), ("UNAVAILABLE", None)]


def test_missing_sub_types_take_the_default_of_the_standard():
    assert rows("2026-01-04T21:00:00Z|parts|1|spin|900\n", "item", "sub_type", "component") == [
        ("PART_COUNT", "ALL", "path"),
        ("ROTARY_VELOCITY", "ACTUAL", "main"),
    ]


def test_keys_match_without_regard_to_case_and_stay_as_written():
    assert rows("2026-01-04T21:00:00Z|EXEC|READY\n", "item", "data_item") == [("EXECUTION", "EXEC")]


def test_unmapped_key_is_kept_and_counted_in_the_note():
    log = "2026-01-04T21:00:00Z|Coolant|on\n2026-01-04T21:00:01Z|Coolant|off\n"
    assert rows(log, "item", "component", "data_item", "text") == [
        ("x:COOLANT", "", "Coolant", "on"),
        ("x:COOLANT", "", "Coolant", "off"),
    ]
    assert offered(log).note == "unmapped keys: 1"


def test_ignored_keys_are_counted_not_kept():
    got = offered(
        "2026-01-04T21:00:00Z|exec|READY|load|3\n", ONE.replace('files = ["*"]', 'files = ["*"]\nignore = ["Load"]')
    )
    assert (got.observations["data_item"].to_list(), got.ignored) == (["exec"], 1)


def test_values_of_the_source_are_translated():
    site = ONE + '\n[source.values.EXECUTION]\nRUN = "ACTIVE"\n'
    assert rows("2026-01-04T21:00:00Z|exec|run|prog|RUN\n", "text", site=site) == [("ACTIVE",), ("RUN",)]


def test_trailing_pipe_is_an_empty_value_or_nothing():
    log = "2026-01-04T21:00:00Z|prog|\n2026-01-04T21:00:01Z|exec|READY|\n"
    assert rows(log, "item", "text") == [("PROGRAM", ""), ("EXECUTION", "READY")]
    assert refused(log) == []


def test_key_without_value_and_line_without_key_are_rejects():
    log = "2026-01-04T21:00:00Z|exec|READY|mode\nhello\n2026-01-04T21:00:00Z|exec\n"
    assert [(line, reason.split(",")[0]) for line, _, reason in refused(log)] == [
        (2, "no key and value found"),
        (3, "no key and value found"),
        (1, "key without a value"),
    ]


def test_quoted_field_may_hold_an_escaped_pipe():
    log = r"""2026-01-04T21:00:00Z|prog|"A\|B"|exec|READY
2026-01-04T21:00:01Z|prog|"A|exec|ACTIVE
"""
    assert rows(log, "text") == [("A|B",), ("READY",), ('"A',), ("ACTIVE",)]


# --- conditions and messages -------------------------------------------------------------------------


def test_condition_takes_five_fields():
    log = "2026-01-04T21:00:00Z|sys|Fault|0812|3|HIGH| No bar\n2026-01-04T21:00:01Z|sys|Normal||||\n"
    columns = ("item", "type", "text", "level", "code", "message", "condition_id", "number")
    assert rows(log, *columns) == [
        ("CONDITION", "SYSTEM", "FAULT", "FAULT", "0812", "No bar", "0812", None),
        ("CONDITION", "SYSTEM", "NORMAL", "NORMAL", None, None, "", None),
    ]


def test_condition_after_a_pair_takes_the_rest_of_its_line():
    log = "2026-01-04T21:00:00Z|exec|INTERRUPTED|sys|FAULT|7|||bar | end\n"
    assert rows(log, "cell", "text", "code", "message") == [
        (0, "INTERRUPTED", None, None),
        (1, "FAULT", "7", "bar | end"),
    ]


def test_condition_is_told_by_its_looks_where_the_key_is_unknown():
    log = (
        "2026-01-04T21:00:00Z|lube|Warning|12|||low\n"
        "2026-01-04T21:00:01Z|lube|Unavailable||||\n"
        "2026-01-04T21:00:02Z|a|Fault|b|c\n"
    )
    assert rows(log, "item", "data_item", "text", "code") == [
        ("CONDITION", "lube", "WARNING", "12"),
        ("CONDITION", "lube", "UNAVAILABLE", None),
        ("x:A", "a", "Fault", None),
        ("x:B", "b", "c", None),
    ]


def test_level_that_is_none_is_a_reject():
    log = "2026-01-04T21:00:00Z|sys|Loud|1|||x\n"
    assert [(line, raw, reason[:11]) for line, raw, reason in refused(log)] == [(1, "sys|Loud|1|||x", "LOUD found,")]


def test_message_has_a_code_before_its_words():
    assert rows("2026-01-04T21:00:00Z|msg|M17|Refill magazine\n", "text", "code", "message") == [
        ("Refill magazine", "M17", "Refill magazine")
    ]


PROBE = b"""<?xml version="1.0"?><MTConnectDevices><Header version="%s"/><Devices>
<Device name="lathe7" uuid="u7" id="d"><DataItems><DataItem category="EVENT" type="AVAILABILITY" id="av"/></DataItems>
<Components>
 <Axes name="base" id="ax"><Components>
  <Rotary name="C" id="c"><DataItems><DataItem category="SAMPLE" type="ANGLE" id="c1" name="Cdeg"/></DataItems></Rotary>
  <Rotary name="S1" id="s"><DataItems>
   <DataItem category="SAMPLE" type="ROTARY_VELOCITY" id="s1" name="Srpm"/></DataItems></Rotary>
  <Rotary name="S2" id="t"><DataItems><DataItem category="SAMPLE" type="ROTARY_VELOCITY" id="t1" name="S2rpm"/>
   <DataItem category="SAMPLE" type="LOAD" id="t2"><Source>S2load</Source></DataItem></DataItems></Rotary>
 </Components></Axes>
 <Controller name="cnc" id="cn"><Components><Path name="P1" id="p"><DataItems>
  <DataItem category="EVENT" type="EXECUTION" id="ex" name="execution"/>
  <DataItem category="SAMPLE" type="LOAD" id="vib" representation="TIME_SERIES"/></DataItems></Path></Components>
 </Controller>
 <Auxiliaries name="aux" id="au"><Components><BarFeeder name="LNS" id="bf"><DataItems>
  <DataItem category="CONDITION" type="SYSTEM" id="bfs" name="feeder_alarm"/></DataItems>
  <Components><Linear name="pusher" id="pu"><DataItems>
   <DataItem category="SAMPLE" type="POSITION" id="pp"/></DataItems></Linear>
  </Components></BarFeeder></Components></Auxiliaries>
</Components></Device></Devices></MTConnectDevices>"""


def test_device_document_gives_items_and_places():
    log = (
        "2026-01-04T21:00:00Z|execution|ACTIVE|Srpm|1|S2rpm|2|S2load|3|Cdeg|4|av|AVAILABLE|pp|5|vib|3|100|1 2 3\n"
        "2026-01-04T21:00:01Z|feeder_alarm|FAULT|12:a7|||jam\n"
    )
    site = SITE + 'machine = "T01"'
    got = rows(log, "item", "component", "text", "condition_id", site=site, devices=parse_devices(PROBE % b"1.3"))
    assert got == [
        ("EXECUTION", "path", "ACTIVE", None),
        ("ROTARY_VELOCITY", "main", "1", None),
        ("ROTARY_VELOCITY", "sub", "2", None),
        ("LOAD", "sub", "3", None),
        ("ANGLE", "c", "4", None),
        ("AVAILABILITY", "", "AVAILABLE", None),
        ("POSITION", "feeder", "5", None),
        ("LOAD", "path", "3|100|1 2 3", None),
        ("CONDITION", "feeder", "FAULT", "12:a7"),
    ]


@pytest.mark.parametrize(
    ("field", "code", "identity"), [("12:a7", "12", "a7"), (":a7", None, "a7"), ("12", "12", "12"), ("", None, "")]
)
def test_from_version_2_3_the_code_may_carry_the_activation(field: str, code: str | None, identity: str):
    log = f"2026-01-04T21:00:01Z|feeder_alarm|FAULT|{field}|||jam\n"
    got = rows(log, "code", "condition_id", site=SITE + 'machine = "T01"', devices=parse_devices(PROBE % b"2.3"))
    assert got == [(code, identity)]


# --- machines ----------------------------------------------------------------------------------------


def test_device_before_the_key_routes_to_its_machine():
    site = SITE + 'machines = { lathe7 = "T02" }\n' + KEYS
    log = "2026-01-04T21:00:00Z|lathe7:exec|ACTIVE|T01:exec|READY|lathe9:exec|READY|exec|READY\n"
    assert rows(log, "machine", "data_item", "text", site=site) == [("T02", "exec", "ACTIVE"), ("T01", "exec", "READY")]
    assert [raw for _, raw, _ in refused(log, site)] == ["lathe9:exec|READY", "exec|READY"]
    assert "`machines`" in refused(log, site)[0][2]


# --- stamps ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stamp", "at"),
    [
        ("2026-01-04T21:00:05Z", utc(5)),
        ("2026-01-04T21:00:05.1Z", utc(5.1)),
        ("2026-01-04T21:00:05.1234567Z", utc(5.123457)),
        ("2026-01-04T21:00:05.123456789Z", utc(5.123457)),
        ("2026-01-04T21:00:05,25Z", utc(5.25)),
        ("2026-01-04 21:00:05Z", utc(5)),
        ("2026-01-04T22:00:05.5+01:00", utc(5.5)),
        ("2026-01-04T16:30:05-0430", utc(5)),
        ("2026-01-04T22:00:05", utc(5)),
        ("2026-01-04T21:00:05Z@12.5", utc(5)),
        ("2026-01-03T24:00:00Z", datetime(2026, 1, 4, tzinfo=UTC)),
    ],
)
def test_stamp_forms(stamp: str, at: datetime):
    assert rows(f"{stamp}|exec|READY\n", "stamped") == [(at,)]


@pytest.mark.parametrize(
    "stamp",
    [
        "1234",
        "2026-01-04",
        "04.01.2026 21:00:05",
        "2026-01-04T25:00:00Z",
        "0001-01-01T00:00:00Z",
        "9999-12-31T23:59:59-10:00",
        "x",
    ],
)
def test_stamp_that_is_none_is_a_reject(stamp: str):
    assert refused(f"{stamp}|exec|READY\n")[0][:2] == (1, f"{stamp}|exec|READY")


def test_empty_stamp_takes_the_one_before():
    log = "|mode|AUTOMATIC\n2026-01-04T21:00:05Z|exec|READY\n|exec|ACTIVE\n"
    assert rows(log, "line", "stamped") == [(2, utc(5)), (3, utc(5))]
    assert refused(log) == [(1, "|mode|AUTOMATIC", "no time found, and none before it")]
    assert offered(log).note == "lines without a stamp, given the one before: 1"


def test_hour_repeated_in_autumn_goes_by_order_and_hour_left_out_in_spring_is_refused():
    log = (
        "2026-10-25T02:30:00|exec|READY\n2026-10-25T02:59:00|exec|ACTIVE\n2026-10-25T02:10:00|exec|READY\n"
        "2026-10-25T03:00:00|exec|ACTIVE\n2026-03-29T02:30:00|exec|READY\n"
    )
    day = datetime(2026, 10, 25, tzinfo=UTC)
    hours = [(stamp - day).total_seconds() / 60 for (stamp,) in rows(log, "stamped")]
    assert hours == [30, 59, 70, 120]
    assert [(line, "summer time" in reason) for line, _, reason in refused(log)] == [(5, True)]


# --- odd lines ---------------------------------------------------------------------------------------


def test_commands_blank_lines_and_assets_are_counted_as_ignored():
    log = (
        "* PONG 10000\n\n2026-01-04T21:00:00Z|@ASSET@|T5|CuttingTool|<CuttingTool/>\n"
        "2026-01-04T21:00:00Z|@ASSET@|T6|CuttingTool|--multiline--K7\n<CuttingTool>\n a|b|c\n--multiline--K7\n"
        "2026-01-04T21:00:01Z|exec|READY\n"
    )
    got = offered(log)
    assert (got.rows, got.ignored, got.rejects.height, got.observations["line"].to_list()) == (8, 7, 0, [8])


def test_asset_that_never_ends_swallows_nothing():
    log = "2026-01-04T21:00:00Z|@ASSET@|T6|X|--multiline--K7\n<X>\n2026-01-04T21:00:01Z|exec|READY\n"
    assert rows(log, "line") == [(3,)]
    assert [raw for _, raw, _ in refused(log)] == ["<X>"]


def test_last_line_without_line_feed_is_a_reject():
    log = "2026-01-04T21:00:00Z|exec|READY\n2026-01-04T21:00:01Z|parts|1"
    assert rows(log, "line") == [(1,)]
    assert refused(log)[0][:2] == (2, "2026-01-04T21:00:01Z|parts|1")


def test_nul_bytes_split_a_torn_line_at_its_second_stamp():
    log = "2026-01-04T21:00:00Z|parts|" + "\0" * 9 + "2026-01-04T21:00:07Z|exec|READY\n"
    assert rows(log, "stamped", "text") == [(utc(7), "READY")]
    assert refused(log)[0][:2] == (1, "2026-01-04T21:00:00Z|parts|")


def test_carriage_returns_byte_order_mark_and_foreign_bytes():
    log = b"\xef\xbb\xbf2026-01-04T21:00:00Z|prog|W\xe4lle\r\n2026-01-04T21:00:01Z|prog|W\xc3\xa4lle 2\r\n"
    assert rows(log, "text") == [("Wälle",), ("Wälle 2",)]
    assert offered(log).note == "bytes that are no UTF-8, read as Latin-1: 1"


def test_utf_16_is_told_by_its_mark():
    assert rows("2026-01-04T21:00:00Z|prog|Wälle\r\n".encode("utf-16"), "text") == [("Wälle",)]


def test_empty_file_offers_nothing():
    assert offered("").rows == 0


# --- the account -------------------------------------------------------------------------------------

PIECES = [
    "2026-01-04T21:00:0",
    "5Z",
    "|",
    "exec",
    "sys",
    "FAULT",
    "\n",
    "\r\n",
    "\0",
    '"',
    "\\",
    "* ",
    "@ASSET@",
    "||||",
    "\xff",
]
anything = st.one_of(
    st.binary(max_size=80), st.lists(st.sampled_from(PIECES), max_size=40).map(lambda p: "".join(p).encode("latin-1"))
)


@settings(max_examples=60, deadline=None)
@given(anything)
def test_whatever_the_bytes_nothing_vanishes(content: bytes):
    site = parse_site(ONE)
    got = offered(content)
    done = finish(
        got,
        source=site.source[0],
        part=Part("f", 0, 0, "f"),
        path="p",
        format="adapter lines",
        clock_skew_s=120.0,
        zone="UTC",
        read_at=READ_AT,
    )
    account = done.progress.row(0, named=True)
    assert account["offered"] == account["events"] + account["rejects"] + account["unchanged"] + account["ignored"]
    told = pl.concat([got.observations["line"], got.rejects["line"]]).n_unique()
    assert got.rows <= told + got.ignored

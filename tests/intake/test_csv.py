"""CSV files as people find them: long and wide, any delimiter, quotes, times with and without zone."""

from datetime import UTC, datetime

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.errors import ReadingError
from runlog.intake import finish
from runlog.intake.csv import read_csv
from runlog.intake.csv_times import read_times
from runlog.intake.identity import beginnings, file_identity
from runlog.intake.reading import OBSERVATIONS, Part
from runlog.site import Site, parse_site

READ_AT = datetime(2026, 4, 1, tzinfo=UTC)

SHOP = """
[site]
name = "shop"
time_zone = "Europe/Berlin"

[[machine]]
name = "T01"

[[machine]]
name = "T02"

[[source]]
name = "log"
files = ["*.csv"]
format = "csv"
"""

KEYS = """
[source.keys]
run = { item = "EXECUTION", component = "path" }
parts = { item = "PART_COUNT", component = "path" }
alarm = { item = "CONDITION", component = "feeder", type = "SYSTEM" }
speed = { item = "ROTARY_VELOCITY", component = "main" }

[source.values.EXECUTION]
RUN = "ACTIVE"
"""

LONG = 'machine = "T01"\ncsv = { time = "time", signal = "signal", value = "value" }\n' + KEYS
LONG_WITH_CODES = LONG.replace('"value" }', '"value", code = "no", message = "words" }')
WIDE = 'machine = "T01"\ncsv = { time = "time" }\n' + KEYS


def shop(source: str) -> Site:
    return parse_site(SHOP + source)


def offered(text: str | bytes, source: str):
    site = shop(source)
    return read_csv(text.encode() if isinstance(text, str) else text, site.source[0], site)


def told(text: str | bytes, source: str) -> list[tuple]:
    """Line, stamp in UTC, item and text of every observation."""
    rows = offered(text, source).observations
    return rows.select("line", pl.col("stamped").dt.strftime("%d %H:%M:%S%.3f"), "item", "text").rows()


def reasons(text: str, source: str) -> list[tuple[int, str, str]]:
    return offered(text, source).rejects.select("line", "raw", "reason").rows()


# --- long --------------------------------------------------------------------------------------------


def test_a_long_file_is_one_observation_a_row():
    text = "time,signal,value\n2026-03-02 06:00:00,run,RUN\n2026-03-02T05:00:01.5Z,parts,12\n"
    read = offered(text, LONG)
    assert read.observations.schema == OBSERVATIONS
    assert read.observations.select(
        "machine", "item", "sub_type", "component", "data_item", "text", "number"
    ).rows() == [
        ("T01", "EXECUTION", "", "path", "run", "ACTIVE", None),
        ("T01", "PART_COUNT", "ALL", "path", "parts", "12", 12.0),
    ]
    assert told(text, LONG) == [
        (2, "02 05:00:00.000", "EXECUTION", "ACTIVE"),
        (3, "02 05:00:01.500", "PART_COUNT", "12"),
    ]
    assert (read.rows, read.ignored, read.note) == (2, 0, "")


def test_an_empty_value_is_no_observation():
    assert told("time,signal,value\n2026-03-02 06:00,parts,\n", LONG) == []


def test_a_signal_nobody_mapped_is_kept_and_named_in_the_note():
    read = offered("time,signal,value\n2026-03-02 06:00,Oil temp,41.5\n", LONG)
    assert read.observations.select("item", "data_item", "number").rows() == [("x:OIL TEMP", "Oil temp", 41.5)]
    assert read.note == "1 unmapped: Oil temp"


def test_an_ignored_signal_is_counted_only():
    read = offered(
        "time,signal,value\n2026-03-02 06:00,Junk,1\n",
        LONG.replace("[source.keys]", 'ignore = ["junk"]\n[source.keys]'),
    )
    assert (len(read.observations), read.ignored) == (0, 1)


def test_signals_are_known_in_any_case_and_values_are_trimmed():
    text = "TIME;Signal;VALUE\n2026-03-02 06:00:00;RUN; run \n2026-03-02 06:00:01;Run;unavailable\n"
    assert [row[2:] for row in told(text, LONG)] == [("EXECUTION", "ACTIVE"), ("EXECUTION", "UNAVAILABLE")]


def test_a_decimal_comma_is_a_number_where_commas_part_no_fields():
    read = offered("time;signal;value\n2026-03-02 06:00;speed;1250,5\n", LONG)
    assert read.observations.select("text", "number", "sub_type").rows() == [("1250,5", 1250.5, "ACTUAL")]


def test_infinity_and_nan_are_no_numbers():
    read = offered("time,signal,value\n2026-03-02 06:00,speed,nan\n2026-03-02 06:01,speed,inf\n", LONG)
    assert read.observations["number"].to_list() == [None, None]


# --- conditions --------------------------------------------------------------------------------------


def conditions(text: str, source: str) -> list[tuple]:
    return offered(text, source).observations.select("text", "level", "code", "message", "type").rows()


def test_a_condition_gives_its_level():
    text = "time,signal,value,no,words\n2026-03-02 06:00,alarm,fault,E12b,Misfeed\n2026-03-02 06:01,alarm,normal,,\n"
    assert conditions(text, LONG_WITH_CODES) == [
        ("FAULT", "FAULT", "E12b", "Misfeed", "SYSTEM"),
        ("NORMAL", "NORMAL", None, None, "SYSTEM"),
    ]


def test_a_code_in_place_of_a_level_is_a_fault_and_nothing_is_normal():
    text = "time,signal,value\n" + "".join(
        f"2026-03-02 06:0{n},alarm,{v}\n" for n, v in enumerate(["2101b", "", "0", "none"])
    )
    assert conditions(text, LONG) == [
        ("FAULT", "FAULT", "2101b", None, "SYSTEM"),
        ("NORMAL", "NORMAL", None, None, "SYSTEM"),
        ("NORMAL", "NORMAL", None, None, "SYSTEM"),
        ("NORMAL", "NORMAL", None, None, "SYSTEM"),
    ]


def test_words_in_place_of_a_level_are_the_message_of_the_code_beside():
    text = "time,signal,value,no,words\n2026-03-02 06:00,alarm,No bar picked,2101,\n"
    assert conditions(text, LONG_WITH_CODES) == [("FAULT", "FAULT", "2101", "No bar picked", "SYSTEM")]


# --- wide --------------------------------------------------------------------------------------------


def test_a_wide_file_is_one_observation_a_filled_cell():
    text = "time,run,parts\n2026-03-02 06:00,RUN,\n2026-03-02 06:01,,1\n2026-03-02 06:02,IDLE,2\n"
    assert told(text, WIDE) == [
        (2, "02 05:00:00.000", "EXECUTION", "ACTIVE"),
        (3, "02 05:01:00.000", "PART_COUNT", "1"),
        (4, "02 05:02:00.000", "EXECUTION", "IDLE"),
        (4, "02 05:02:00.000", "PART_COUNT", "2"),
    ]
    assert offered(text, WIDE).observations["cell"].to_list() == [0, 1, 0, 1]


def test_an_empty_alarm_cell_is_normal_only_in_a_tick():
    """Line 2 fills every other column: a tick, no alarm. Line 3 tells of one change and nothing of alarms."""
    text = "time,run,parts,alarm\n2026-03-02 06:00,RUN,1,\n2026-03-02 06:01,IDLE,,\n2026-03-02 06:02,,,2101\n"
    rows = offered(text, WIDE).observations.filter(item="CONDITION")
    assert rows.select("line", "text", "code").rows() == [(2, "NORMAL", None), (4, "FAULT", "2101")]


def test_columns_are_guessed_from_their_names():
    text = "Timestamp\tMachine\tEXECUTION\tfoo\n1772427600\tt02\tACTIVE\t1\n1772427600250\tT01\tREADY\t\n"
    read = offered(text, "")
    assert read.observations.select("machine", "item", "text").rows() == [
        ("T02", "EXECUTION", "ACTIVE"),
        ("T02", "x:FOO", "1"),
        ("T01", "EXECUTION", "READY"),
    ]
    assert read.observations["stamped"].to_list()[::2] == [
        datetime(2026, 3, 2, 5, tzinfo=UTC),
        datetime(2026, 3, 2, 5, 0, 0, 250_000, tzinfo=UTC),
    ]


# --- form --------------------------------------------------------------------------------------------


def test_quotes_hold_delimiters_line_breaks_and_quotes():
    text = 'time;signal;value\r\n2026-03-02 06:00;memo;"a;b\r\nc"\r\n\r\n2026-03-02 06:01;memo;"say ""no"""\r\n'
    assert told(text, LONG) == [
        (2, "02 05:00:00.000", "x:MEMO", "a;b\nc"),
        (5, "02 05:01:00.000", "x:MEMO", 'say "no"'),
    ]


def test_a_lone_quote_is_a_mark_of_inches():
    assert [row[3] for row in told('time,signal,value\n2026-03-02 06:00,memo,12" bar\n', LONG)] == ['12" bar']


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding: str):
    assert [row[3] for row in told("time,signal,value\n2026-03-02 06:00,memo,Störung\n".encode(encoding), LONG)] == [
        "Störung"
    ]


def test_rows_that_cannot_be_read_are_rejects_with_their_reason():
    text = "time,signal,value\n2026-03-02 06:00,parts\n31/31/2026,parts,1\n,parts,1\n2026-03-02 06:00,a,b,c\n"
    assert reasons(text, LONG) == [
        (2, "2026-03-02 06:00,parts", "2 fields found, 3 expected"),
        (3, "31/31/2026,parts,1", "time '31/31/2026' found, one such as 2026-01-04T21:12:05.123Z expected"),
        (4, ",parts,1", "no time found, one such as 2026-01-04T21:12:05.123Z expected"),
        (5, "2026-03-02 06:00,a,b,c", "4 fields found, 3 expected"),
    ]


def test_a_machine_nobody_knows_is_a_reject():
    text = "time,machine,run\n2026-03-02 06:00,T09,RUN\n2026-03-02 06:00,T01,RUN\n"
    assert [(line, reason[:21]) for line, _, reason in reasons(text, "")] == [(2, "machine 'T09' found, ")]


def test_a_header_without_the_column_named_is_an_error():
    with pytest.raises(ReadingError, match=r"columns when, value found, 'time' among them expected"):
        offered("when,value\n1,2\n", LONG)


def test_an_empty_file_holds_nothing():
    assert offered("", LONG).note == "nothing in it"
    assert offered("time,signal,value\n", LONG).rows == 0


# --- time --------------------------------------------------------------------------------------------


def stamps(*times: str) -> list[str]:
    return [
        row[1] for row in told("time;signal;value\n" + "".join(f"{t};parts;{n}\n" for n, t in enumerate(times)), LONG)
    ]


@pytest.mark.parametrize(
    ("written", "utc"),
    [
        ("2026-03-02T06:00:00.123456789", "02 05:00:00.123"),
        ("2026-03-02 06:00:00,5", "02 05:00:00.500"),
        ("2026-03-02T06:00:00+02:00", "02 04:00:00.000"),
        ("2026-03-02 06:00:00-0130", "02 07:30:00.000"),
        ("02.03.2026 06:00:00", "02 05:00:00.000"),
        ("1772427600.5", "02 05:00:00.500"),
        ("1772427600500", "02 05:00:00.500"),
    ],
)
def test_times_in_their_spellings(written: str, utc: str):
    assert stamps(written) == [utc]


def test_the_hour_that_autumn_repeats_is_told_by_order():
    """Berlin, 25 October 2026: 02:00-03:00 comes twice, first at UTC+2, then at UTC+1."""
    got = stamps(
        "2026-10-25 02:10:00",
        "2026-10-25 02:50:00",
        "2026-10-25 02:05:00",
        "2026-10-25 02:55:00",
        "2026-10-25 03:00:00",
    )
    assert got == ["25 00:10:00.000", "25 00:50:00.000", "25 01:05:00.000", "25 01:55:00.000", "25 02:00:00.000"]


def test_the_hour_that_autumn_repeats_is_each_machines_own():
    rows = [("T01", "02:10"), ("T01", "02:50"), ("T01", "02:10"), ("T02", "02:05"), ("T02", "02:20")]
    text = "time,machine,run\n" + "".join(f"2026-10-25 {t},{m},RUN\n" for m, t in rows)
    assert [row[1][3:8] for row in told(text, "")] == ["00:10", "00:50", "01:10", "00:05", "00:20"]


def test_the_hour_that_spring_leaves_out_is_a_reject():
    text = "time,signal,value\n2026-03-29 01:59:59,parts,1\n2026-03-29 02:30:00,parts,2\n2026-03-29 03:00:00,parts,3\n"
    assert [row[1] for row in told(text, LONG)] == ["29 00:59:59.000", "29 01:00:00.000"]
    assert reasons(text, LONG) == [
        (
            3,
            "2026-03-29 02:30:00,parts,2",
            "time '2026-03-29 02:30:00' found, which summer time leaves out; one that exists expected",
        )
    ]


def test_a_column_in_several_chunks_is_read_like_any_other():
    several = pl.concat([pl.Series(["JOG"]), pl.Series(["noon"])], rechunk=False)
    assert read_times(several, "UTC")["problem"].str.contains("found, one such as").to_list() == [True, True]


# --- nothing vanishes --------------------------------------------------------------------------------

junk = "\r\0\x1c\x1d\x1e\x1f"
texts = st.text(st.characters(codec="utf-8", exclude_characters=junk, exclude_categories=["Cs"]), max_size=6)
times = st.sampled_from(["2026-03-02 06:00:00", "2026-03-02 06:00:01", "2026-03-29 02:30:00", "x", "1772427600"])
signals = st.sampled_from(["run", "parts", "junk", "foo"])


def quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"'


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(times, signals, st.one_of(texts, st.sampled_from(["1", "RUN", ""]))), max_size=12))
def test_every_value_offered_is_accounted_for(rows: list[tuple[str, str, str]]):
    source = LONG.replace("[source.keys]", 'ignore = ["junk"]\n[source.keys]')
    text = "time,signal,value\n" + "".join(f"{time},{signal},{quoted(value)}\n" for time, signal, value in rows)
    site = shop(source)
    read = read_csv(text.encode(), site.source[0], site)
    bad_time = [time in ("x", "2026-03-29 02:30:00") for time, _, _ in rows]
    filled = [bool(value.strip()) for _, _, value in rows]
    assert len(read.rejects) == sum(bad_time)
    assert len(read.observations) + read.ignored == sum(
        full and not bad for full, bad in zip(filled, bad_time, strict=True)
    )
    part = Part("f", 0, 0, "f")
    reading = finish(
        read, source=site.source[0], part=part, path="f", format="csv", clock_skew_s=0.0, zone="UTC", read_at=READ_AT
    )
    account = reading.progress.row(0, named=True)
    assert account["offered"] == account["events"] + account["rejects"] + account["unchanged"] + account["ignored"]


def test_identities_of_beginnings_are_those_of_shorter_files(tmp_path):
    source = shop(LONG).source[0]
    stored = b"time,signal,value\n1,2,3\n"
    (tmp_path / "T01.csv").write_bytes(stored)
    size, own, found = beginnings(tmp_path / "T01.csv", source, [5, 18, 400])
    assert (size, own) == (len(stored), file_identity(stored, source))
    assert found == {5: file_identity(stored[:5], source), 18: file_identity(stored[:18], source)}

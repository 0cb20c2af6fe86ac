"""Names that nobody explained, and items of which every copy is news."""

from datetime import UTC, datetime

import pytest

from runlog.intake import finish
from runlog.intake.csv import read_csv
from runlog.intake.devices import Devices
from runlog.intake.lines import read_lines
from runlog.intake.reading import Part
from runlog.intake.vocabulary import meaning, told_by_site, unmapped
from runlog.site import Key, parse_site

SITE = parse_site("""
[site]
name = "shop"
time_zone = "UTC"
[[machine]]
name = "T01"
[[source]]
name = "log"
files = ["*"]
machine = "T01"
csv = { time = "time", signal = "signal", value = "value" }
""")


@pytest.mark.parametrize(
    ("name", "item"),
    [
        ("EXECUTION", "EXECUTION"),
        ("execution", "EXECUTION"),
        ("PartCount", "PART_COUNT"),
        ("part-count", "PART_COUNT"),
        ("End of bar", "END_OF_BAR"),
        ("exec", "x:EXEC"),
        ("s2rpm", "x:S2RPM"),
        ("", "x:"),
    ],
)
def test_a_standard_name_is_its_item_and_any_other_is_kept(name: str, item: str):
    assert unmapped(name).item == item


def test_csv_and_adapter_lines_agree_on_names_that_nobody_mapped():
    names = ("EXECUTION", "part_count", "spare", "Program", "Bar-Lot")
    csv = "time,signal,value\n" + "".join(f"2026-03-02T06:00:00Z,{name},1\n" for name in names)
    lines = "".join(f"2026-03-02T06:00:00Z|{name}|1\n" for name in names)
    source = SITE.source[0]
    of_csv = read_csv(csv.encode(), source, SITE).observations
    of_lines = read_lines(lines.encode(), source, SITE, Devices()).observations
    assert of_csv["item"].to_list() == ["EXECUTION", "PART_COUNT", "x:SPARE", "PROGRAM", "BAR_LOT"]
    columns = ("item", "sub_type", "component", "data_item", "text", "number", "discrete")
    assert of_csv.select(columns).equals(of_lines.select(columns))


def test_a_key_named_like_an_item_of_several_fields_promises_none():
    line = b"2026-03-02T06:00:00Z|message|Refill|execution|ACTIVE\n"
    read = read_lines(line, SITE.source[0], SITE, Devices()).observations
    assert read.select("item", "text").rows() == [("x:MESSAGE", "Refill"), ("EXECUTION", "ACTIVE")]


def test_bars_loaded_is_discrete_whatever_the_site_says():
    assert meaning("BARS_LOADED").discrete
    assert told_by_site(Key(item="BARS_LOADED", discrete=False), None).discrete
    assert told_by_site(Key(item="BARS_LOADED"), meaning("x:BARS")).discrete


def test_filling_in_as_many_bars_twice_is_two_events():
    csv = b"time,signal,value\n2026-03-02T06:00:00Z,BARS_LOADED,12\n2026-03-02T14:00:00Z,BARS_LOADED,12\n"
    reading = finish(
        read_csv(csv, SITE.source[0], SITE),
        source=SITE.source[0],
        part=Part("f", 0, 0, "f"),
        path="f.csv",
        format="csv",
        clock_skew_s=0,
        zone="UTC",
        read_at=datetime(2026, 3, 3, tzinfo=UTC),
    )
    assert reading.events["number"].to_list() == [12.0, 12.0]

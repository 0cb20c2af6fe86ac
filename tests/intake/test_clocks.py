"""Heads, two clocks, lost stamps, repeats and returns: logs of a few lines, answers worked by hand."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from runlog.distinct import distinct
from runlog.intake import Reading, read_file
from runlog.site import parse_site

SITE = """
[site]
name = "shop"
time_zone = "Europe/Berlin"
[[machine]]
name = "T01"
[[source]]
name = "T01 log"
files = ["*"]
machine = "T01"
format = "adapter lines"
{more}
[source.keys]
e = {{ item = "EXECUTION" }}
n = {{ item = "PART_COUNT" }}
p = {{ item = "PROGRAM" }}
c = {{ item = "CONDITION" }}
d = {{ item = "PART_COUNT", discrete = true }}
"""
DAY = datetime(2026, 1, 4, tzinfo=UTC)


def at(clock: str) -> datetime:
    """`21:00:05` of the day, or `-3 21:00:05` three days before."""
    day, _, time = clock.rpartition(" ")
    hours, minutes, seconds = (int(part) for part in time.split(":"))
    return DAY + timedelta(days=int(day or 0), hours=hours, minutes=minutes, seconds=seconds)


def log(*lines: str) -> str:
    """Lines such as `21:00:05 e ACTIVE`; the last two words are key and value."""
    split = [line.rsplit(" ", 2) for line in lines]
    return "".join(f"{at(clock):%Y-%m-%dT%H:%M:%S}Z|{key}|{value}\n" for clock, key, value in split)


def read(folder: Path, content: str, more: str = "", name: str = "T01.txt") -> Reading:
    site = parse_site(SITE.format(more=more))
    path = folder / name
    path.write_text(content, newline="")
    return read_file(path, site.source[0], site, DAY)


def told(reading: Reading, *columns: str) -> list[tuple]:
    return reading.events.select(columns).rows()


def clocks(reading: Reading) -> list[tuple[str, str, str]]:
    time = [pl.col(name).dt.strftime("%H:%M:%S") for name in ("stamped", "at")]
    return reading.events.select("text", *time).rows()


# --- heads -------------------------------------------------------------------------------------------


def test_lines_before_a_key_repeats_are_head(tmp_path: Path):
    reading = read(tmp_path, log("-3 10:00:00 e STOPPED", "-9 11:00:00 n 7", "05:00:00 e ACTIVE", "05:00:09 n 8"))
    assert told(reading, "text", "head", "at") == [
        ("STOPPED", True, at("-3 10:00:00")),
        ("7", True, at("-9 11:00:00")),
        ("ACTIVE", False, at("05:00:00")),
        ("8", False, at("05:00:09")),
    ]
    assert set(reading.events["body_start"]) == {at("05:00:00")}
    assert reading.progress["first_at"].item() == at("05:00:00")


def test_several_active_conditions_of_one_key_do_not_end_the_head(tmp_path: Path):
    reading = read(
        tmp_path,
        log("-3 10:00:00 c FAULT|1|||x", "-3 10:00:00 c FAULT|2|||y", "-3 11:00:00 e READY", "05:00:00 e ACTIVE"),
    )
    assert reading.events["head"].to_list() == [True, True, True, False]


def test_idle_days_snapshot_is_all_head_but_a_short_new_log_is_body(tmp_path: Path):
    snapshot = log(*(f"-3 10:00:00 k{number} UNAVAILABLE" for number in range(8)))
    assert read(tmp_path, snapshot).events["head"].all()
    assert not read(tmp_path, log("-3 10:00:00 e READY", "-3 10:00:01 n 0")).events["head"].any()


# --- two clocks --------------------------------------------------------------------------------------

BURST = log("20:00:00 e READY", "20:10:00 n 1", "20:11:00 e ACTIVE", "20:10:30 e UNAVAILABLE", "20:12:00 e READY")


def test_outage_stamped_before_the_last_value_takes_its_instant(tmp_path: Path):
    reading = read(tmp_path, BURST)
    assert clocks(reading)[2:] == [
        ("ACTIVE", "20:11:00", "20:11:00"),
        ("UNAVAILABLE", "20:10:30", "20:11:00"),
        ("READY", "20:12:00", "20:12:00"),
    ]
    account = reading.progress.row(0, named=True)
    assert (account["moved"], account["moved_most_s"]) == (1, 30.0)


def test_skew_of_the_source_holds_and_zero_switches_the_rule_off(tmp_path: Path):
    for skew in (0, 29):
        moved = read(tmp_path, BURST, f"clock_skew_s = {skew}").progress["moved"].item()
        assert moved == 0
    assert read(tmp_path, BURST, "clock_skew_s = 30").progress["moved"].item() == 1


def test_a_step_back_beyond_the_skew_starts_a_new_stretch(tmp_path: Path):
    reading = read(
        tmp_path, log("20:00:00 e A", "20:30:00 e B", "20:10:00 e C", "20:09:00 e D", "20:11:00 e E", "20:30:05 e F")
    )
    assert clocks(reading)[2:] == [
        ("C", "20:10:00", "20:10:00"),
        ("D", "20:09:00", "20:10:00"),
        ("E", "20:11:00", "20:11:00"),
        ("F", "20:30:05", "20:30:05"),
    ]


def test_many_small_steps_back_do_not_reach_beyond_the_skew(tmp_path: Path):
    reading = read(tmp_path, log("20:00:00 e A", "20:30:00 e B", "20:29:00 e C", "20:27:30 e D"))
    assert clocks(reading)[2:] == [("C", "20:29:00", "20:30:00"), ("D", "20:27:30", "20:27:30")]


def test_machines_of_one_file_have_clocks_of_their_own(tmp_path: Path):
    site = parse_site(
        SITE.format(more="")
        .replace('machine = "T01"\n', "")
        .replace("[[source]]", '[[machine]]\nname = "T02"\n[[source]]')
    )
    path = tmp_path / "both.txt"
    path.write_text(log("20:00:00 T01:e A", "20:01:00 T01:e B", "20:00:30 T02:e A", "20:00:40 T02:e B"), newline="")
    reading = read_file(path, site.source[0], site, DAY)
    assert reading.progress.select("moved", "machine").row(0) == (0, "")


def test_file_written_newest_first_is_read_from_its_end(tmp_path: Path):
    reading = read(tmp_path, log("23:00:00 e D", "22:00:00 e C", "21:00:00 e B", "20:00:00 e A"))
    assert told(reading, "text", "line", "head") == [("A", 1, True), ("B", 2, False), ("C", 3, False), ("D", 4, False)]
    assert "newest first" in reading.progress["note"].item()


# --- lost stamps ---------------------------------------------------------------------------------------


def test_stamp_far_outside_its_file_is_a_reject(tmp_path: Path):
    reading = read(tmp_path, log("20:00:00 e A", "20:01:00 e B", "-900 20:02:00 e C", "20:03:00 e D"))
    assert reading.events["text"].to_list() == ["A", "B", "D"]
    assert reading.rejects["line"].to_list() == [3]
    assert reading.rejects["raw"].item().endswith("|e|C")


def test_far_future_at_the_head_of_the_body_is_a_reject_too(tmp_path: Path):
    lines = [f"20:{minute:02}:00 e {minute}" for minute in range(40)]
    reading = read(tmp_path, log("20:00:00 e x", "900 20:00:00 e C", *lines))
    assert reading.rejects["line"].to_list() == [2]


def test_long_gaps_in_order_are_no_lost_stamps(tmp_path: Path):
    reading = read(tmp_path, log("-30 20:00:00 e A", "-20 20:00:00 e B", "-1 20:00:00 e C", "20:00:00 e D"))
    assert reading.progress.select("events", "rejects").row(0) == (4, 0)


def test_sparse_beginning_of_a_log_in_order_is_kept_though_later_stamps_step_back(tmp_path: Path):
    later = [f"20:{minute:02}:00 e {minute}" for minute in (1, 2, 3, 5, 4, 6, 7, 8, 9, 10)]
    reading = read(tmp_path, log("-40 20:00:00 e x", "-30 20:00:00 e A", "-20 20:00:00 e B", *later))
    assert reading.rejects.height == 0


# --- repeats and returns -------------------------------------------------------------------------------


def test_immediate_repeats_are_unchanged(tmp_path: Path):
    reading = read(
        tmp_path,
        log("20:00:00 e A", "20:00:01 n 24", "20:00:02 e A", "20:00:03 n 24.000", "20:00:04 e B", "20:00:05 e A"),
    )
    assert reading.events["text"].to_list() == ["A", "24", "B", "A"]
    assert reading.progress.select("offered", "events", "unchanged").row(0) == (6, 4, 2)


def test_names_made_of_digits_are_not_compared_as_numbers(tmp_path: Path):
    assert read(tmp_path, log("20:00:00 p 12", "20:00:01 p 0012")).events.height == 2


def test_every_copy_of_a_discrete_item_counts(tmp_path: Path):
    reading = read(tmp_path, log("20:00:00 d 1", "20:00:00 d 1", "20:00:00 d 1"))
    assert told(reading, "text", "nth") == [("1", 0), ("1", 1), ("1", 2)]


def test_condition_repeats_only_if_code_and_words_do(tmp_path: Path):
    reading = read(
        tmp_path,
        log("20:00:00 c FAULT|1|||x", "20:00:01 c FAULT|1|||x", "20:00:02 c FAULT|2|||x", "20:00:03 c FAULT|2|||y"),
    )
    assert told(reading, "code", "message") == [("1", "x"), ("2", "x"), ("2", "y")]


def test_fault_again_after_a_clear_of_all_is_kept(tmp_path: Path):
    reading = read(tmp_path, log("20:00:00 c FAULT|1|||x", "20:00:01 c NORMAL||||", "20:00:02 c FAULT|1|||x"))
    assert told(reading, "level", "nth") == [("FAULT", 0), ("NORMAL", 0), ("FAULT", 0)]


def test_return_to_a_value_at_the_same_stamp_is_numbered(tmp_path: Path):
    reading = read(tmp_path, log("20:00:00 e A", "20:00:00 e B", "20:00:00 e A", "20:00:01 e B"))
    assert told(reading, "text", "nth") == [("A", 0), ("B", 0), ("A", 1), ("B", 0)]


# --- several files -------------------------------------------------------------------------------------


def test_restated_head_adds_nothing_and_brings_no_stamp_back(tmp_path: Path):
    first = read(tmp_path, BURST.removesuffix(log("20:12:00 e READY")))
    second = read(tmp_path, log("20:10:30 e UNAVAILABLE", "-9 20:10:00 n 1", "22:00:00 e READY"), name="next.txt")
    one = distinct(pl.concat([first.events, second.events]).lazy()).filter(item="EXECUTION").collect()
    assert one.select("text", pl.col("at").dt.strftime("%H:%M:%S"), "head").rows() == [
        ("READY", "20:00:00", True),
        ("ACTIVE", "20:11:00", False),
        ("UNAVAILABLE", "20:11:00", False),
        ("READY", "22:00:00", False),
    ]


def test_identity_is_the_content_not_the_name(tmp_path: Path):
    one, other = read(tmp_path, BURST), read(tmp_path, BURST, name="renamed.txt")
    assert one.events.equals(other.events)

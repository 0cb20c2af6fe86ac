"""The night in the terminal: what a person reads off it, at every width, also through a pipe.

The log is written by hand: T01 makes parts of 100 s from 22:00, changes one bar, misfeeds at the second
and stands; the window is 22:00 to 23:00 in London.
"""

import io
import json
from datetime import UTC, datetime, timedelta

import pytest
from derive.literal import TEN_AT_NIGHT, log, site
from rich.console import Console

from runlog.derive import derive
from runlog.figures.cautions import CAUTIONS
from runlog.figures.night import NightReview, night_review
from runlog.report.night import MARKS, NightReport, as_data

NOW = datetime(2026, 1, 13, 0, 0, tzinfo=UTC)
HOSTILE = "Misfeed [bold]bar[/bold] [/] \x1b[2J 12%"


def review(words: str = "Misfeed", stands_to: int = 3000) -> NightReview:
    lines = ["0 avail AVAILABLE", "0 mode AUTOMATIC", "0 program O1", "0 count 0", "0 eob NO", "0 exec ACTIVE"]
    for part in range(1, 5):
        lines.append(f"{100 * part} count {part}")
    lines += ["401 eob YES", "402 change ACTIVE", "428 change COMPLETE", "429 eob NO", "430 exec ACTIVE"]
    lines += [f"{430 + 100 * part} count {4 + part}" for part in range(1, 5)]
    lines += ["831 eob YES", "832 change ACTIVE", "850 change FAIL", f"851 feeder FAULT 2101 {words}"]
    lines += ["852 exec INTERRUPTED", "860 alarm FAULT 7001 Cycle not complete", f"{stands_to} mode AUTOMATIC"]
    shop = site()
    return night_review(derive(log("\n".join(lines)), shop), shop)


def printed(night: NightReview, width: int = 80, *, terminal: bool = False) -> str:
    out = io.StringIO()
    Console(file=out, width=width, force_terminal=terminal).print(NightReport(night, NOW))
    return out.getvalue()


def test_the_first_lines_say_where_to_walk():
    head = printed(review()).splitlines()[:6]
    assert head[0].startswith("Night of Monday 12 January 2026, 22:00 to 23:00, Europe/London (GMT)")
    assert any(line.startswith("Walk to T01 first: stopped at 22:14") for line in head)
    assert any("the night is still running" in line for line in head)


def test_each_machine_tells_its_night():
    told = " ".join(printed(review(), 200).split())
    for words in (
        "22:14 still standing: misfeed; first alarm 2101 Misfeed; 1 more alarm followed: 7001",
        "8 made;",
        "bound by",
        "4 bars at the start (magazine taken as full)",
        "1 clean, 1 failed; mean",
        "planned 30.0 s",
        "inferred",
        "misfeed 36 min",  # 850 s to 3000 s
        "quality, remnant length (inferred from the plan)",
    ):
        assert words in told, words
    assert all(" ".join(caution.split()) in told for caution in CAUTIONS)


@pytest.mark.parametrize("width", [80, 100, 160])
def test_nothing_is_wider_than_the_terminal_or_cut_off(width: int):
    text = printed(review(), width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in text
    for title in ("machine", "finding", "made/planned", "limit", "h lost", "h run/planned"):
        assert title in text


def test_the_strip_is_plain_ascii_and_its_legend_names_every_mark():
    lines = printed(review()).splitlines()
    strip = next(line for line in lines if line.startswith("T01  ") and set(line[5:]) <= {*"=|rsX?."})
    assert "=" in strip
    assert "X" in strip
    assert strip.endswith("."), "the log ends ten minutes before the window"
    legend = " ".join(printed(review(), 160).split())
    assert all(f"{mark} {kind}" in legend for kind, (mark, _) in MARKS.items())


def test_through_a_pipe_there_are_no_codes_and_in_a_terminal_there_are():
    assert "\x1b" not in printed(review())
    assert "\x1b[" in printed(review(), terminal=True)


def test_words_from_a_log_are_neither_markup_nor_codes():
    text = " ".join(printed(review(HOSTILE), 200).split())
    assert "Misfeed [bold]bar[/bold] [/] [2J 12%" in text
    assert "\x1b" not in text


def test_a_console_without_unicode_can_print_it():
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="cp1252", errors="strict")
    Console(file=out, width=80).print(NightReport(review(), NOW))
    out.flush()
    assert b"Walk to T01 first" in raw.getvalue()


def test_as_data_is_json_with_zoned_times():
    data = json.loads(json.dumps(as_data(review(), NOW)))
    assert data["window"]["start"] == TEN_AT_NIGHT.isoformat()
    assert data["window"]["running"] is True
    assert data["headline"]["machine"] == "T01"
    assert data["machines"][0]["code"] == "2101"
    stopped = datetime.fromisoformat(data["machines"][0]["stopped_at"])
    assert stopped - TEN_AT_NIGHT == timedelta(seconds=850)
    assert [stop["cause"] for stop in data["stops"]] == ["misfeed"]
    assert {"reloads", "strip", "time", "cautions"} <= data.keys()

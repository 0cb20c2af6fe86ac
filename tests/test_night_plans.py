"""What is loaded for tonight, from a CSV: what is taken in, and what is refused with its line."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from figures.runs import SITE

from runlog.errors import ReadingError
from runlog.night_plans import NIGHT_PLAN, read_night_plan

NOW = datetime(2026, 3, 2, 15, tzinfo=UTC)
EVENING = datetime(2026, 3, 2, 22, tzinfo=UTC)


def plan(folder: Path, text: str):
    path = folder / "tonight.csv"
    path.write_text(text)
    return read_night_plan(path, SITE, NOW, EVENING)


def test_what_is_not_told_is_not_known(tmp_path):
    rows = plan(tmp_path, "machine,job,bars,start,left\nT01,bush,12,21:30,6\nT02,pin,,,\n")
    assert rows.schema == NIGHT_PLAN
    assert rows.rows() == [
        ("T01", "bush", 12, 6, datetime(2026, 3, 2, 21, 30, tzinfo=UTC)),
        ("T02", "pin", None, None, EVENING),
    ]


def test_machine_and_job_are_enough(tmp_path):
    assert plan(tmp_path, "job;machine\nbush;T01\n")["bars"].to_list() == [None]


def test_all_mistakes_are_told_with_their_lines(tmp_path):
    with pytest.raises(ReadingError) as told:
        plan(tmp_path, "machine,job,bars\nT09,bush,1\nT01,bolt,2\nT02,pin,-1\nT02,pin,x\n")
    said = str(told.value)
    assert "line 2: machine: 'T09' found, a machine of the site file, once (T01, T02, T03), expected" in said
    assert "line 3: job: 'bolt' found, a job of the site file (bush, pin) expected" in said
    assert "line 4: bars: '-1' found" in said
    assert "line 5: machine: 'T02' found" in said
    assert "line 5: bars: 'x' found, a whole number of bars" in said


def test_a_start_that_is_none_is_told(tmp_path):
    with pytest.raises(ReadingError, match="start 'noon' found, a clock time such as 22:00"):
        plan(tmp_path, "machine,job,start\nT01,bush,noon\n")


def test_a_column_that_is_missing_is_named(tmp_path):
    with pytest.raises(ReadingError, match="also these expected: job"):
        plan(tmp_path, "machine,bars\nT01,3\n")

"""Files that leave the house."""

import json
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from runlog.export import ExportError, export

FRAME = pl.LazyFrame(
    {
        "at": [datetime(2026, 3, 2, 5, 0, 0, 500_000, tzinfo=UTC), None],
        "day": [date(2026, 3, 2), None],
        "text": ["=1+1", "-12.5"],
        "count": [1, None],
    },
    schema_overrides={"at": pl.Datetime("us", "UTC")},
)


def test_csv_has_iso_times_and_no_formulas(tmp_path: Path):
    export(FRAME, tmp_path / "out.csv")
    assert (tmp_path / "out.csv").read_text() == (
        "at,day,text,count\n2026-03-02T05:00:00.500000+00:00,2026-03-02,'=1+1,1\n,,-12.5,\n"
    )


@pytest.mark.parametrize("text", ["=A1", "+A1", "-A1", "@A1", "\tA1", "\rA1"])
def test_whatever_a_table_program_would_run_is_disarmed(tmp_path: Path, text: str):
    export(pl.LazyFrame({"text": [text]}), tmp_path / "out.csv")
    assert pl.read_csv(tmp_path / "out.csv")["text"].to_list() == ["'" + text]


def test_parquet_keeps_everything(tmp_path: Path):
    export(FRAME, tmp_path / "out.PARQUET")
    assert_frame_equal(pl.read_parquet(tmp_path / "out.PARQUET"), FRAME.collect())


def test_json_is_a_list_of_rows(tmp_path: Path):
    export(FRAME, tmp_path / "out.json")
    assert json.loads((tmp_path / "out.json").read_text())[0] == {
        "at": "2026-03-02T05:00:00.500000+00:00",
        "day": "2026-03-02",
        "text": "=1+1",
        "count": 1,
    }


@pytest.mark.parametrize(("name", "found"), [("out.xls", ".xls"), ("out", "no suffix")])
def test_another_suffix_is_an_error(tmp_path: Path, name: str, found: str):
    with pytest.raises(ExportError, match=f"{found} found, one of .csv, .parquet, .json expected"):
        export(FRAME, tmp_path / name)


def test_a_folder_that_is_not_there_is_an_error(tmp_path: Path):
    with pytest.raises(ExportError, match="cannot be written: No such file or directory"):
        export(FRAME, tmp_path / "no" / "out.csv")


def test_what_was_there_stays_when_writing_fails(tmp_path: Path):
    (tmp_path / "out.csv").write_text("old")
    with pytest.raises(pl.exceptions.ColumnNotFoundError):
        export(FRAME.select("nonsense"), tmp_path / "out.csv")
    assert [file.name for file in tmp_path.iterdir()] == ["out.csv"]
    assert (tmp_path / "out.csv").read_text() == "old"

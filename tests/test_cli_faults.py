"""`runlog faults`, `fix`, `alarms` and `reloads --durations` on a store made from the sample logs."""

import csv
import json
from pathlib import Path
from shutil import copytree

import pytest
from typer.testing import CliRunner, Result

from runlog.cli import app

SAMPLES = Path(__file__).parents[1] / "sample_logs"


@pytest.fixture(scope="module")
def store(sample_store: Path, tmp_path_factory) -> Path:
    """One of its own, as fixes are noted in it."""
    return copytree(sample_store, tmp_path_factory.mktemp("faults") / "store")


def run(store: Path, *words: str) -> Result:
    places = [] if words[:2] == ("fix", "withdraw") else ["--site", str(SAMPLES / "site.toml")]
    return CliRunner().invoke(app, [*words, *places, "--store", str(store)])


def read(store: Path, *words: str) -> dict:
    ran = run(store, *words, "--json")
    assert ran.exit_code == 0, ran.output
    return json.loads(ran.stdout)


def test_causes_are_listed_without_one(store):
    told = read(store, "faults")["causes"]
    assert [row["stops"] for row in told] == sorted((row["stops"] for row in told), reverse=True)
    assert all(row["low"] <= row["rate"] <= row["high"] for row in told)
    assert "per 100 h" in run(store, "faults").output


def test_a_cause_with_its_groups_and_pattern(store):
    told = read(store, "faults", "--cause", "bar supply", "--by", "plant,machine")
    machines = [row for row in told["groups"] if row["dimension"] == "machine"]
    (whole,) = (row for row in told["groups"] if row["dimension"] == "plant")
    assert sum(row["faults"] for row in machines) == whole["faults"] > 0
    assert sum(row["hours"] for row in machines) == pytest.approx(whole["hours"])
    assert len([row for row in told["points"] if row["scope"] == "all"]) == whole["faults"]
    assert {row["clock"] for row in told["trends"]} == {"hours", "reloads"}
    words = " ".join(run(store, "faults", "--cause", "bar supply", "--by", "machine").output.split())
    assert "Rates are stops per 100 hours run" in words


def test_points_and_table_go_to_files(store, tmp_path):
    files = tmp_path / "groups.csv", tmp_path / "points.csv"
    ran = run(store, "faults", "--cause", "misfeed", "--export", str(files[0]), "--points", str(files[1]))
    assert ran.exit_code == 0, ran.output
    assert files[0].read_text().startswith("dimension,group,faults,hours")
    with files[1].open() as opened:
        assert next(csv.reader(opened)) == ["scope", "machine", "at", "faults", "hours", "reloads", "first_of_shift"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("faults", "--cause", "colour"), "'colour' found, one of these expected"),
        (
            ("faults", "--cause", "misfeed", "--by", "colour"),
            "colour found, one or more of these with commas between expected: plant",
        ),
        (("alarms", "--machine", "T99"), "--machine T99: one of these expected: T01"),
        (("alarms", "--flood", "4"), "an end not above the beginning expected"),
        (("fix", "add", "--machine", "T99", "--date", "2026-10-20", "x"), "--machine T99: one of these expected"),
    ],
)
def test_mistakes_say_what_is_expected(store, words, said):
    ran = run(store, *words)
    assert ran.exit_code == 1
    assert said in str(ran.exception or ran.output)


def test_a_fix_is_noted_checked_listed_and_taken_back(store):
    assert "No fix is noted" in run(store, "fix", "check").output
    noted = run(
        store, "fix", "add", "--machine", "T01", "--date", "2026-10-20", "new liner 38 mm", "--who", "A. Miller"
    )
    assert noted.exit_code == 0, noted.output
    run(store, "fix", "add", "--machine", "T02", "--date", "2026-10-20 09:30", "--cause", "misfeed", "pusher")
    first, second = read(store, "fix", "list")["fixes"]
    assert (first["text"], first["who"], first["at"]) == ("new liner 38 mm", "A. Miller", "2026-10-20T00:00:00+02:00")
    assert (second["at"], second["until"]) == ("2026-10-20T09:30:00+02:00",) * 2
    assert "new liner" in run(store, "fix", "list").output
    checks = {row["machine"]: row for row in read(store, "fix", "check")["checks"]}
    assert checks["T01"]["chances_before"] > 0
    assert checks["T01"]["chances_after"] > 0
    assert (checks["T01"]["chances"], checks["T02"]["chances"]) == ("reloads", "hours")
    assert checks["T01"]["sentence"] in " ".join(run(store, "fix", "check", "--machine", "T01").output.split())
    assert run(store, "fix", "withdraw", first["note"], "--why", "wrong machine").exit_code == 0
    assert [row["note"] for row in read(store, "fix", "list")["fixes"]] == [second["note"]]


def test_alarms_and_their_limits(store):
    told = read(store, "alarms")
    assert len(told["frequent"]) == 10
    assert sum(row["alarms"] for row in told["machines"]) == told["alarms"]
    assert len(told["floods"]) == 1
    assert read(store, "alarms", "--flood", "18")["floods"] == []
    assert len(read(store, "alarms", "--top", "3")["frequent"]) == 3
    one = read(store, "alarms", "--machine", "T03")
    assert [row["machine"] for row in one["machines"]] == ["T03"]
    words = " ".join(run(store, "alarms").output.split())
    assert "FLOOD T03" in words
    assert "most frequent are" in words


def test_durations_by_machine_and_job(store):
    told = read(store, "reloads", "--durations")
    assert {row["machine"] for row in told["series"]} == {f"T0{number}" for number in range(1, 7)}
    assert all(row["sentence"] and row["planned_s"] > 0 for row in told["series"])
    assert "Reload times from" in run(store, "reloads", "--durations").output

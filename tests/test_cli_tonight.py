"""`runlog tonight`, `endurance` and `worth` on a store made from the sample logs."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from runlog.cli import app

SAMPLES = Path(__file__).parents[1] / "sample_logs"


@pytest.fixture(scope="module")
def store(sample_store: Path) -> Path:
    return sample_store


def run(store: Path, command: str, *words: str):
    return CliRunner().invoke(app, [command, "--site", str(SAMPLES / "site.toml"), "--store", str(store), *words])


def test_tonight_names_every_machine_what_to_fix_and_the_cautions(store):
    ran = run(store, "tonight", "--start", "22:00")
    said = " ".join(ran.output.split())
    assert ran.exit_code == 0, ran.output
    assert all(f"T0{number}, " in said for number in range(1, 7))
    assert "% to reach" in said
    assert "What to fix first" in said
    assert "past nights, each forecast from what came before it: the 80 % ranges held" in said
    assert "It never commands a machine" in said
    assert "permission to run unattended" in said
    assert "look into the magazine before relying on it" in said


def test_the_check_can_be_seen_in_full(store):
    said = " ".join(run(store, "tonight", "--check").output.split())
    assert "By chance forecast" in said
    assert "By machine" in said
    found = json.loads(run(store, "tonight", "--check", "--json").output)
    assert len(found["check"]["nights"]) == found["check"]["summary"]["nights"] > 50
    assert sum(row["nights"] for row in found["check"]["classes"]) == found["check"]["summary"]["nights"]


def test_tonight_as_json_and_as_a_table(store, tmp_path):
    found = json.loads(run(store, "tonight", "--json").output)
    assert len(found["machines"]) == 6
    assert all(row["finding"] and 0 < row["reach"] < 1 for row in found["machines"])
    assert len(found["cautions"]) == 3
    assert run(store, "tonight", "--export", str(tmp_path / "tonight.csv")).exit_code == 0
    assert (tmp_path / "tonight.csv").read_text().startswith("machine,job,at,hours")


def test_a_plan_says_what_is_loaded(store, tmp_path):
    (tmp_path / "plan.csv").write_text("machine,job,bars,start\nT01,bush 4711,4,22:00\n")
    (row,) = json.loads(run(store, "tonight", "--plan", str(tmp_path / "plan.csv"), "--json").output)["machines"]
    assert (row["machine"], row["bars"], row["bars_basis"], row["planned_end_by"]) == ("T01", 4, "given", "bars")
    (tmp_path / "plan.csv").write_text("machine,job\nT01,nothing\n")
    ran = run(store, "tonight", "--plan", str(tmp_path / "plan.csv"))
    assert ran.exit_code == 1
    assert "line 2: job: 'nothing' found" in str(ran.exception)


def test_endurance_in_hours_and_in_reloads(store, tmp_path):
    said = " ".join(run(store, "endurance").output.split())
    assert "runs stopped" in said
    assert "log-rank" in said
    assert "What ended them" in said
    found = json.loads(run(store, "endurance", "--in", "reloads", "--by", "machine", "--json").output)
    assert found["unit"] == "reloads"
    assert {row["dimension"] for row in found["groups"]} == {"plant", "machine"}
    assert run(store, "endurance", "--export", str(tmp_path / "runs.csv")).exit_code == 0
    assert (tmp_path / "runs.csv").read_text().startswith("dimension,group,runs,stops")


def test_endurance_says_what_it_can_group_by(store):
    ran = run(store, "endurance", "--by", "colour")
    assert ran.exit_code == 1
    assert "colour found, one or more of these with commas between expected: machine, job" in str(ran.exception)


def test_a_time_without_runs_says_so(store):
    ran = run(store, "endurance", "--from", "2001-01-01", "--to", "2001-01-02")
    assert ran.exit_code == 0
    assert "No unattended run in this time." in ran.output
    ran = run(store, "worth", "--from", "2001-01-01", "--to", "2001-01-02")
    assert "No shift with a log in this time." in ran.output


def test_worth_with_and_without_the_value_of_an_hour(store, tmp_path):
    said = " ".join(run(store, "worth").output.split())
    assert "Value is not known: --hour-value" in said
    found = json.loads(run(store, "worth", "--hour-value", "50", "--json").output)
    hours = {row["time"]: row for row in found["times"]}
    assert hours["unattended"]["value"] == pytest.approx(50 * hours["unattended"]["worked_h"])
    assert all(row["without_h"] >= row["with_h"] for row in found["causes"])
    assert run(store, "worth", "--export", str(tmp_path / "worth.parquet")).exit_code == 0


def test_an_empty_store_says_that_nothing_is_known(tmp_path):
    ran = run(tmp_path / "store", "tonight")
    assert ran.exit_code == 1 or "nothing to forecast from" in " ".join(ran.output.split())
    assert "Traceback" not in ran.output

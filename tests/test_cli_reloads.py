"""`runlog reloads` on a store made from the sample logs."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from runlog.cli import app

SAMPLES = Path(__file__).parents[1] / "sample_logs"


@pytest.fixture(scope="module")
def store(sample_store: Path) -> Path:
    return sample_store


def run(store: Path, *words: str):
    return CliRunner().invoke(app, ["reloads", "--site", str(SAMPLES / "site.toml"), "--store", str(store), *words])


def test_the_table_names_every_machine_and_says_what_a_rate_is(store):
    ran = run(store, "--by", "plant, machine")
    assert ran.exit_code == 0
    assert ran.output.startswith("Reloads from ")
    assert "All reloads: " in ran.output
    assert all(f"T0{number}" in ran.output for number in range(1, 7))
    assert "per 100 reloads with 95 % limits" in " ".join(ran.output.split())


def test_json_has_every_group_and_its_sentence(store):
    found = json.loads(run(store, "--json").output)
    machines = [row for row in found["groups"] if row["dimension"] == "machine"]
    whole = next(row for row in found["groups"] if row["dimension"] == "plant")
    assert sum(row["reloads"] for row in machines) == whole["reloads"] > 0
    assert sum(row["faults"] for row in machines) == whole["faults"]
    assert all(row["sentence"] and row["low"] <= row["rate"] <= row["high"] for row in machines if row["reloads"])


def test_the_table_can_be_exported(store, tmp_path):
    assert run(store, "--export", str(tmp_path / "reloads.csv")).exit_code == 0
    assert (tmp_path / "reloads.csv").read_text().startswith("dimension,group,faults,reloads")


def test_an_unknown_grouping_names_those_there_are(store):
    ran = run(store, "--by", "colour")
    assert ran.exit_code == 1
    assert "colour found, one or more of these with commas between expected: plant" in str(ran.exception or ran.output)


def test_a_time_without_reloads_says_so(store):
    ran = run(store, "--from", "2001-01-01", "--to", "2001-01-02")
    assert ran.exit_code == 0
    assert "No reload that counts in a rate began in this time." in ran.output

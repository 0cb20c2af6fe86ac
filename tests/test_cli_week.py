"""`runlog week`, `shifts`, `losses`, `remnant`, `changeovers` and `scrap`, as a person meets them."""

import json
from datetime import date
from pathlib import Path
from shutil import copytree
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from test_cli import Run, places, run  # noqa: F401

from runlog.cli import main
from runlog.simulator import simulate
from runlog.store import Store


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three machines, nine days: week 2026-W45 whole, W46 begun."""
    folder = tmp_path_factory.mktemp("weeks")
    simulate(folder, start=date(2026, 11, 2), weeks=1, days=9, seed=5, machines=3)
    with pytest.raises(SystemExit) as ended:
        main(["ingest", str(folder / "logs"), *places(folder)])
    assert not ended.value.code
    return folder


@pytest.fixture
def shop(stored: Path, tmp_path: Path) -> Path:
    return copytree(stored, tmp_path / "shop")


def test_the_week_is_the_last_whole_one(run: Run, shop: Path):  # noqa: F811
    said = run("week", *places(shop))
    assert said.code == 0, said.err
    assert said.out.startswith("Week 2026-W45, Mon 2 Nov 2026 to Sun 8 Nov 2026, Europe/Berlin; log read to ")
    for title in ("made/plan", "Losses", "Bars", "Changeovers", "Trends", "Cautions"):
        assert title in said.out
    assert max(map(len, said.out.splitlines())) <= 100
    assert "other figures than" not in said.out


def test_another_week_one_machine_and_weeks_that_are_not(run: Run, shop: Path):  # noqa: F811
    said = run("week", "--week", "2026-W46", "--machine", "T02", *places(shop))
    assert "the log does not reach through all of it" in said.words
    assert "T02" in said.out
    assert "T01" not in said.out
    assert "nothing in the log" in run("week", "--week", "2026-W12", *places(shop)).err
    assert run("week", "--week", "2026-W60", *places(shop)).code == 1


def test_the_week_says_what_changed_since_it_was_last_shown(run: Run, shop: Path):  # noqa: F811
    """A scrap list comes in: the shift it names is measured now, and nothing else has changed."""
    run("week", *places(shop))
    assert "other figures" not in run("week", *places(shop)).out
    job = json.loads(run("shifts", "--by", "machine,shift,job", "--json", *places(shop)).out)["rows"][0]
    row = f"{job['shift_date']},{job['shift']},{job['machine']},{job['job']},1,burr\n"
    (shop / "scrap.csv").write_text(f"date,shift,machine,job,quantity,reason\n{row}", encoding="utf-8")
    said = run("scrap", shop / "scrap.csv", *places(shop))
    assert said.out == "scrap.csv: 1 bad part in 1 shift\n"
    said = run("week", *places(shop))
    assert "1 shift shows other figures than when this week was last shown:" in said.words
    assert "good parts" in said.words
    assert "were not measured" in said.words
    assert "other figures" not in run("week", *places(shop)).out


def test_the_week_as_json_and_as_a_table(run: Run, shop: Path):  # noqa: F811
    data = json.loads(run("week", "--json", *places(shop)).out)
    assert (data["period"]["week"], data["period"]["whole"]) == ("2026-W45", True)
    assert {row["machine"] for row in data["machines"]} == {"T01", "T02", "T03"}
    assert data["plant"][0]["parts"] == sum(row["parts"] for row in data["machines"])
    said = run("week", "--export", shop / "week.parquet", *places(shop))
    assert said.code == 0
    assert pl.read_parquet(shop / "week.parquet")["machine"].to_list() == ["T01", "T02", "T03"]


@pytest.mark.parametrize("name", ["shifts", "losses", "remnant", "changeovers"])
@pytest.mark.parametrize("by", ["machine", "job", "shift", "week", "month,cell", "plant"])
def test_roll_ups_by_any_grouping(name: str, by: str, run: Run, stored: Path):  # noqa: F811
    shown = run(name, "--by", by, "--from", "2026-11-03", "--to", "2026-11-10", *places(stored))
    assert shown.code == 0, shown.err
    assert shown.out.startswith("Tue 3 Nov 2026 to Tue 10 Nov 2026")
    data = json.loads(run(name, "--by", by, "--json", "--week", "2026-W45", *places(stored)).out)
    rows = data.get("rows", data.get("losses", data.get("account")))
    assert rows
    assert "by" in data
    columns = {"shift": "shift_date"}.get(by, by.split(",")[0])
    assert columns in rows[0]


def test_changeovers_stand_beside_the_planned_time_of_the_feeder(run: Run, stored: Path):  # noqa: F811
    """The shop notes another liner with each diameter and gives no times: 300 + 300 + 900 s, and 600 for the collet."""
    data = json.loads(run("changeovers", "--json", "--week", "2026-W45", *places(stored)).out)
    planned = {
        ("diameter" in row["what_changed"], row["setup"], row["planned_least_s"], row["planned_most_s"])
        for row in data["changeovers"]
    }
    assert (True, "size, pusher, liner", 1500.0, 2100.0) in planned
    assert planned <= {(True, "size, pusher, liner", 1500.0, 2100.0), (False, None, None, None)}
    shown = run("changeovers", "--week", "2026-W45", *places(stored)).words
    assert "feeder" in shown
    assert "setting up the bar feeder alone" in shown
    assert f"Longest work, {min(10, len(data['changeovers']))} of {len(data['changeovers'])}" in shown


def test_what_it_cannot_be_grouped_by_is_said(run: Run, stored: Path):  # noqa: F811
    said = run("shifts", "--by", "colour", *places(stored))
    assert (said.code, said.out) == (1, "")
    assert "--by: colour found, one or more of these with commas between expected: plant, cell, machine" in said.err
    assert run("remnant", "--by", "material,lot", *places(stored)).code == 0


@pytest.mark.parametrize("suffix", ["csv", "parquet", "json"])
def test_roll_ups_leave_as_tables(suffix: str, run: Run, stored: Path, tmp_path: Path):  # noqa: F811
    to = tmp_path / f"losses.{suffix}"
    said = run("losses", "--rank", "parts", "--export", to, *places(stored))
    assert said.code == 0, said.err
    assert to.stat().st_size
    assert f"losses.{suffix}" in said.words


def test_a_list_with_mistakes_is_refused(run: Run, shop: Path):  # noqa: F811
    (shop / "scrap.csv").write_text(
        "date,shift,machine,job,quantity\n2026-11-03,night,T9,pin 2208,1\n", encoding="utf-8"
    )
    said = run("scrap", shop / "scrap.csv", *places(shop))
    assert (said.code, said.out) == (1, "")
    assert "scrap.csv: line 2: machine: 'T9' found, one of T01, T02, T03 expected" in said.err


def test_a_cause_that_is_named_stands_in_every_table_until_it_is_taken_back(run: Run, shop: Path):  # noqa: F811
    stops = Store(shop / "store").facts()["stops"].filter(~pl.col("open")).sort("duration_s").collect()
    stop = stops.filter(pl.col("cause") != "maintenance").row(-1, named=True)
    middle = (stop["start"] + (stop["end"] - stop["start"]) / 2).astimezone(ZoneInfo("Europe/Berlin"))
    where = ("--machine", stop["machine"], "--at", f"{middle:%Y-%m-%dT%H:%M:%S}", "--who", "A. Miller")

    def hours() -> float:
        told = json.loads(run("losses", "--from", "2026-11-02", "--json", *places(shop)).out)
        return sum(row["seconds"] for row in told["losses"] if row["cause"] == "maintenance")

    before = hours()
    assert run("cause", "add", "maintenance", *where, *places(shop)).code == 0
    assert hours() > before
    listed = run("cause", "list", *places(shop)).out
    assert "maintenance" in listed
    assert "A. Miller" in listed
    assert run("cause", "withdraw", *places(shop)[2:]).code == 0
    assert hours() == before


def test_a_cause_needs_a_stop_and_a_name_the_shop_knows(run: Run, shop: Path):  # noqa: F811
    out = run("cause", "add", "maintenance", "--machine", "T01", "--at", "2020-01-01T12:00", *places(shop))
    assert "T01 did not stand then" in out.err
    assert (
        "one of these expected"
        in run("cause", "add", "gremlins", "--machine", "T01", "--at", "2026-11-05T12:00", *places(shop)).err
    )
    assert "No cause was named" in run("cause", "list", *places(shop)).out

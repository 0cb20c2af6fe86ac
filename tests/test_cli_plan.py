"""`runlog plan` and `runlog sawing`, as a person meets them."""

import json
from pathlib import Path
from shutil import copytree

import polars as pl
import pytest
import test_cli
from test_cli import Run, places

from runlog.figures.cautions import CAUTIONS
from runlog.site import starter

run, shop, stored = test_cli.run, test_cli.shop, test_cli.stored


@pytest.fixture
def site(tmp_path: Path) -> Path:
    file = tmp_path / "site.toml"
    file.write_text(starter(), encoding="utf-8")
    return file


def test_plan_tells_the_night_the_stock_and_the_batches(run: Run, site: Path):
    said = run("plan", "bush 4711", "--order", "1000", "--start", "2026-11-23T22:00", "--site", site)
    assert said.code == 0, said.err
    assert said.out.startswith("bush 4711: plan from Mon 23 Nov 2026 22:00 CET, Europe/Berlin\n")
    assert "T01 24 103.0 76.667 31 min 12 288 bars Tue 04:08 CET" in said.words
    assert "bars bind: 288 parts, out of bars at Tue 04:08 CET" in said.words
    assert "T01 42 41.67 50.40 0.47 4.22 320.2 317.3 1665.14 1649.71" in said.words
    assert "size setting only 5 min 4" in said.words
    assert all(" ".join(caution.split()) in said.words for caution in CAUTIONS)
    assert max(map(len, said.out.splitlines())) <= 100


def test_plan_without_a_quantity_or_an_unattended_shift_says_so(run: Run, site: Path):
    site.write_text(starter().replace("attended = false", "attended = true"), encoding="utf-8")
    said = run("plan", "bush 4711", "--site", site)
    assert "Stock for the order: no quantity known; --order says how many parts." in said.words
    assert "Short batches: no unattended shift is planned within two weeks" in said.words


def test_plan_as_json(run: Run, site: Path):
    asked = ["--bars", "3", "--left", "5", "--start", "2026-11-23T22:00", "--machine", "T01"]
    data = json.loads(run("plan", "bush 4711", *asked, "--json", "--site", site).out)
    machine = data["machines"][0]
    assert (machine["planned_parts"], machine["limit"], machine["endurance_s"]) == (77.0, "bars", 5895.0)
    assert machine["run_out_at"] == "2026-11-23T23:38:15+01:00"
    assert data["job"]["bar_mm"] == 1200
    assert {row["batch"] for row in data["curve"]} >= {10, 100, 1000}
    assert data["cautions"] == list(CAUTIONS)


def test_sawing_ranks_and_weighs(run: Run, site: Path):
    said = run("sawing", "bush 4711", "--site", site)
    assert said.code == 0, said.err
    assert "1 3 998.0 19 57 12.8 13.5 5.3 4:53 h best in both" in said.words
    assert "- 2 1498.5 30 60 8.6 9.0 3.3 7:38 h 248.5 mm too long" in said.words
    assert "more ways, none of them better; --json lists all." in said.words
    assert "3 pieces of 998.0 mm are best in both" in said.words


def test_sawing_as_json_and_with_lengths_of_its_own(run: Run, site: Path):
    lengths = ["--bought", "4000", "--kerf", "2", "--longest", "1600"]
    data = json.loads(run("sawing", "bush 4711", *lengths, "--json", "--site", site).out)
    assert (data["bought_mm"], data["kerf_mm"], data["longest_mm"]) == (4000, 2, 1600)
    # (4000 - 2 x 2) / 3 = 1332 mm
    assert [(row["rank"], row["piece_mm"]) for row in data["pieces"] if row["pieces"] == 3] == [(1, 1332.0)]
    assert data["advice"]


@pytest.mark.parametrize("command", ["plan", "sawing"])
def test_an_unknown_job_is_answered_with_those_there_are(command: str, run: Run, site: Path):
    said = run(command, "bolt", "--site", site)
    assert (said.code, said.out) == (1, "")
    assert said.err == "runlog: 'bolt' found, one of these jobs expected: bush 4711\n"


def test_a_start_that_is_none_and_lengths_below_zero_are_told(run: Run, site: Path):
    said = run("plan", "bush 4711", "--start", "2026-03-29T02:30", "--site", site)
    assert said.code == 1
    assert "02:30 is left out on 2026-03-29 in Europe/Berlin" in said.err
    assert run("plan", "bush 4711", "--bars", "-1", "--site", site).code == 2
    assert run("sawing", "bush 4711", "--kerf", "-1", "--site", site).code == 2


# --- plans of the order system -------------------------------------------------------------------


def test_import_puts_the_order_systems_plan_in_the_place_of_the_computed_one(run: Run, stored: Path, tmp_path: Path):
    folder = copytree(stored, tmp_path / "shop")
    before = json.loads(run("night", "--machine", "T01", "--json", *places(folder)).out)["machines"][0]
    assert before["plan_basis"] == "computed"
    job = before["jobs"].split(", ")[0]
    plan = tmp_path / "plan.csv"
    plan.write_text(f"date,shift,machine,job,quantity\n2026-11-03,night,T01,{job},9000\n", encoding="utf-8")
    said = run("plan", "--import", plan, *places(folder))
    assert said.code == 0, said.err
    assert said.out.startswith(
        "Plans of 1 machine shift taken in, in the place of those before.\nThey are kept, but do"
    )
    assert "  plan.csv: line 2: " in said.out
    after = json.loads(run("night", "--machine", "T01", "--json", *places(folder)).out)["machines"][0]
    assert (after["planned_parts"], after["plan_basis"]) == (9000.0, "order system")
    assert after["computed_parts"] == before["computed_parts"] == before["planned_parts"]
    night = run("night", "--machine", "T01", *places(folder)).words
    assert f"9000.0 planned (order system), bound by {after['limit']}, more than the" in night
    run("export", "plans", "--to", tmp_path / "plans.parquet", "--store", folder / "store")
    assert pl.read_parquet(tmp_path / "plans.parquet")["quantity"].to_list() == [9000]

    plan.write_text("date,shift,machine,job,quantity\n2026-11-03,night,T01,another,5\n", encoding="utf-8")
    run("plan", "--import", plan, *places(folder))
    assert "5.0 planned (order system for another), bound by order" in run("night", *places(folder)).words

    plan.write_text("date,shift,machine,job,quantity\n2026-11-03,night,T01,,\n", encoding="utf-8")
    assert (
        "1 row without a quantity: the computed plan holds again."
        in run("plan", "--import", plan, *places(folder)).words
    )
    assert json.loads(run("night", "--machine", "T01", "--json", *places(folder)).out)["machines"][0] == before


def test_import_refuses_a_file_with_mistakes_and_a_job_beside_it(run: Run, site: Path, tmp_path: Path):
    plan = tmp_path / "plan.csv"
    plan.write_text("date,shift,machine,job,quantity\nMonday,night,T01,bush 4711,1\n", encoding="utf-8")
    said = run("plan", "--import", plan, *places(tmp_path))
    assert (said.code, said.out) == (1, "")
    assert said.err == "runlog: plan.csv: line 2: date: 'Monday' found, a date such as 2026-11-23 expected\n"
    assert not (tmp_path / "store").exists()
    said = run("plan", "bush 4711", "--import", plan, *places(tmp_path))
    assert (said.code, "a plan names its jobs itself" in said.err) == (1, True)
    assert "no job found, one of these expected: bush 4711; or --import FILE" in run("plan", *places(tmp_path)).err


def test_a_plan_can_come_before_the_first_log(run: Run, site: Path, tmp_path: Path):
    plan = tmp_path / "plan.csv"
    plan.write_text("date,shift,machine,job,quantity\n2026-11-23,night,T01,bush 4711,280\n", encoding="utf-8")
    said = run("plan", "--import", plan, *places(tmp_path))
    assert (said.code, said.out) == (0, "Plans of 1 machine shift taken in, in the place of those before.\n")

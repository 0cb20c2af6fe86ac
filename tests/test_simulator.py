"""The simulator: its truth holds together by itself, and its logs say what its truth says."""

import ast
import gzip
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

import runlog.simulator
from runlog.schema import EVENTS, FACT_TABLES
from runlog.simulator import FORMATS, sample_logs, simulate, simulate_frames, site_toml
from runlog.site import parse_site

WEEK_OF_THE_CLOCK_CHANGE = date(2026, 10, 20)
Shop = tuple[pl.DataFrame, dict[str, pl.DataFrame], str]


@pytest.fixture(scope="module")
def shop() -> Shop:
    return simulate_frames(start=WEEK_OF_THE_CLOCK_CHANGE, days=8, seed=3)


def seconds(start: str, end: str) -> pl.Expr:
    return (pl.col(end) - pl.col(start)).dt.total_microseconds() / 1e6


def test_frames_have_the_documented_columns(shop: Shop):
    events, truth, _ = shop
    assert events.schema == EVENTS.schema
    assert {name: frame.schema for name, frame in truth.items()} == {table.name: table.schema for table in FACT_TABLES}


def test_the_same_seed_gives_the_same_shop_and_another_seed_another(shop: Shop):
    events, truth, _ = shop
    again, truth_again, _ = simulate_frames(start=WEEK_OF_THE_CLOCK_CHANGE, days=8, seed=3)
    assert again.equals(events)
    assert all(truth_again[name].equals(frame) for name, frame in truth.items())
    other, _, _ = simulate_frames(start=WEEK_OF_THE_CLOCK_CHANGE, days=8, seed=4)
    assert not other.equals(events)


def test_one_more_machine_changes_no_other(shop: Shop):
    _, truth, _ = shop
    _, more, _ = simulate_frames(start=WEEK_OF_THE_CLOCK_CHANGE, days=8, seed=3, machines=7)
    one = pl.col("machine") == "T02"
    assert more["reloads"].filter(one).equals(truth["reloads"].filter(one))


@pytest.mark.parametrize("machines", [1, 6, 12])
def test_site_file_is_sound(machines: int):
    site = parse_site(site_toml(machines, FORMATS))
    assert [machine.name for machine in site.machines] == [f"T{n:02d}" for n in range(1, machines + 1)]
    assert len(site.source) == machines + 1


def test_the_simulator_knows_nothing_of_what_it_checks():
    allowed = ("runlog.schema", "runlog.site", "runlog.errors", "runlog.simulator")
    for path in Path(runlog.simulator.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in names:
                assert not name.startswith("runlog.") or name.startswith(allowed), f"{path.name} imports {name}"


# --- the truth holds together ------------------------------------------------------------------------


def test_spans_tile_every_machines_time(shop: Shop):
    _, truth, _ = shop
    for _, one in truth["spans"].group_by("machine"):
        ordered = one.sort("start")
        assert (ordered["start"] < ordered["end"]).all()
        assert ordered["start"][1:].equals(ordered["end"][:-1])


def test_the_loss_account_closes_to_the_second(shop: Shop):
    _, truth, _ = shop
    kinds = [
        "producing_s",
        "reload_planned_s",
        "reload_overrun_s",
        "setting_s",
        "stopped_s",
        "minor_stops_s",
        "no_signal_s",
    ]
    gap = truth["shift_figures"].select((pl.col("pbt_s") - pl.sum_horizontal(kinds)).abs().max()).item()
    assert gap < 1e-5


def test_losses_by_cause_sum_to_the_stopped_seconds_of_their_shift(shop: Shop):
    _, truth, _ = shop
    cell = ["machine", "shift_date", "shift", "job"]
    losses = truth["shift_losses"].group_by(cell).agg(pl.col("seconds").sum())
    figures = truth["shift_figures"].join(losses, on=cell, how="left")
    stopped = pl.col("stopped_s") + pl.col("minor_stops_s")
    assert figures.select((stopped - pl.col("seconds").fill_null(0)).abs().max()).item() < 1e-5


def test_every_stop_is_the_stopped_spans_within_it(shop: Shop):
    _, truth, _ = shop
    spans = truth["spans"].filter(pl.col("kind") == "stopped").select(seconds("start", "end").sum()).item()
    assert spans == pytest.approx(truth["stops"]["duration_s"].sum(), abs=1e-6)


def test_parts_in_and_out_of_plan_are_all_the_parts(shop: Shop):
    _, truth, _ = shop
    figures = truth["shift_figures"]
    counted = figures["parts"].sum() + figures["off_plan_parts"].sum()
    assert counted == truth["parts"].filter(~pl.col("setting")).height


def test_the_night_of_the_clock_change_has_nine_hours(shop: Shop):
    _, truth, _ = shop
    night = truth["shift_figures"].filter(
        pl.col("shift_date") == date(2026, 10, 24), pl.col("shift") == "night", pl.col("machine") == "T01"
    )
    assert night["pbt_s"].sum() == 9 * 3600


def test_a_bars_stock_is_accounted_for(shop: Shop):
    _, truth, _ = shop
    full = truth["bars"].filter(pl.col("remnant_basis") == "measured")
    rest = full["loaded_mm"] - full["used_mm"] - full["remnant_mm"] - full["unaccounted_mm"]
    assert full.height > 50
    assert rest.abs().max() == pytest.approx(0, abs=1e-9)
    assert (full["remnant_mm"] > 80).all()


def test_nothing_lies_within_a_second_of_a_limit(shop: Shop):
    _, truth, _ = shop
    near = (truth["stops"]["duration_s"] - 300).abs().min()
    slow = truth["reloads"].filter(pl.col("outcome").is_in(["clean", "slow"]))
    nearest = slow.select((pl.col("duration_s") - 1.5 * pl.col("planned_s")).abs().min()).item()
    assert isinstance(near, float)
    assert min(near, nearest) > 1


# --- what was planted is there -----------------------------------------------------------------------


def test_planted_faults_show_in_the_truth(shop: Shop):
    _, truth, _ = shop
    stops, parts, runs = truth["stops"], truth["parts"], truth["unattended_runs"]
    hung = stops.filter(pl.col("cause") == "hung in cycle", pl.col("machine") == "T02")
    assert hung["duration_s"].max() > 3600
    assert stops["consequences"].max() == 16
    assert 50 < parts["made_unseen"].sum() < parts["counted_in_batch"].sum()
    out_of_bars = runs.filter(pl.col("machine") == "T06", pl.col("ended_by") == "out of bars")
    assert out_of_bars.height > 3


def test_chronic_misfeeds_are_far_above_the_rest():
    _, truth, _ = simulate_frames(weeks=6, seed=3)
    rated = truth["reloads"].filter(pl.col("outcome").is_not_null(), pl.col("outcome") != "empty")
    fault = pl.col("outcome").is_in(["retried", "failed"]).mean()
    chronic = (pl.col("machine") == "T01") & (pl.col("diameter_mm") == 20)
    assert rated.filter(chronic).select(fault).item() > 4 * rated.filter(~chronic).select(fault).item()
    t04 = truth["reloads"].filter(pl.col("machine") == "T04", pl.col("outcome") == "clean")["duration_s"]
    third = t04.len() // 3
    assert t04.tail(third).mean() > 1.15 * t04.head(third).mean()  # type: ignore[operator]


# --- the log says so too -----------------------------------------------------------------------------


def test_no_signal_takes_two_values_at_one_instant(shop: Shop):
    events, _, _ = shop
    assert not events.select(pl.struct("machine", "at", "data_item").is_duplicated().any()).item()


def test_the_counter_rises_where_parts_were_counted(shop: Shop):
    events, truth, _ = shop
    told = events.filter(pl.col("data_item") == "parts", pl.col("machine") == "T03", pl.col("number") > 0)
    parts = truth["parts"].filter(pl.col("machine") == "T03")
    # A value told again after lost signal is no news.
    assert told.sort("at").unique("number", keep="first", maintain_order=True)["at"].equals(parts["at"])
    assert told["number"].max() == parts.height


def test_active_time_is_producing_reloading_or_setting_unless_it_hangs(shop: Shop):
    events, truth, _ = shop
    one = pl.col("machine") == "T02"
    states = events.filter(one, pl.col("item") == "EXECUTION").sort("at")
    active = (
        states.with_columns(pl.col("at").shift(-1).alias("until"))
        .filter(pl.col("text") == "ACTIVE")
        .drop_nulls("until")
    )
    spans = truth["spans"].filter(one, pl.col("kind") == "stopped").join(active.select("at", "until"), how="cross")
    both = spans.filter(pl.col("start") < pl.col("until"), pl.col("at") < pl.col("end"))
    assert set(both["cause"]) <= {"hung in cycle", "no bar or feeder fault", "misfeed", "bar jammed", "magazine empty",
                                  "double feed", "remnant not ejected", "emergency stop"}  # fmt: skip


# --- files -------------------------------------------------------------------------------------------


def truth_of(folder: Path) -> dict[str, pl.DataFrame]:
    return {path.stem: pl.read_parquet(path) for path in (folder / "truth").glob("*.parquet")}


def test_the_truth_depends_on_neither_format_nor_noise(tmp_path: Path):
    plain = truth_of(simulate(tmp_path / "a", weeks=1, days=2, seed=5, formats=("csv long",)))
    noisy = truth_of(simulate(tmp_path / "b", weeks=1, days=2, seed=5, formats=("adapter lines",), noise=2))
    assert plain.keys() == {table.name for table in FACT_TABLES}
    assert all(noisy[name].equals(frame) for name, frame in plain.items())


@pytest.mark.parametrize(
    ("form", "mark"),
    [
        ("csv long", ",parts,"),
        ("adapter lines", "|parts|"),
        ("mtconnect streams", '<PartCount dataItemId="parts" '),
    ],
)
def test_every_format_tells_of_every_count(tmp_path: Path, form: str, mark: str):
    events, _, _ = simulate_frames(days=2, seed=5, machines=1)
    told = events.filter(pl.col("data_item") == "parts").height
    folder = simulate(tmp_path, weeks=1, days=2, seed=5, machines=1, formats=(form,))
    written = sum(path.read_text().count(mark) for path in (folder / "logs").glob("T01_*"))
    # Each later file of adapter lines restates the last count at its head, the first one says it is unknown.
    heads = len(list((folder / "logs").glob("T01_*"))) if form == "adapter lines" else 0
    assert written == told + heads


def test_wide_rows_are_local_and_in_order_but_for_the_repeated_hour(tmp_path: Path):
    folder = simulate(tmp_path, start=date(2026, 10, 24), weeks=1, days=2, seed=5, machines=1, formats=("csv wide",))
    rows = pl.read_csv(folder / "logs" / "T01_2026-10-25.csv", infer_schema=False)
    steps = rows["time"].str.to_datetime("%Y-%m-%d %H:%M:%S%.f").diff().drop_nulls()
    back = steps.filter(steps < timedelta(0))
    assert back.len() == 1
    assert timedelta(minutes=-60) <= back[0] < timedelta(minutes=-45)


def test_packed_files_hold_the_same(tmp_path: Path):
    plain = simulate(tmp_path / "a", weeks=1, days=1, seed=5, machines=1)
    packed = simulate(tmp_path / "b", weeks=1, days=1, seed=5, machines=1, gzip=True)
    name = "T01_2026-08-10.csv"
    assert gzip.decompress((packed / "logs" / f"{name}.gz").read_bytes()) == (plain / "logs" / name).read_bytes()


def test_progress_is_told_and_planted_faults_are_listed(tmp_path: Path):
    told: list[float] = []
    simulate(tmp_path, weeks=1, days=2, seed=5, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1
    assert "chronic misfeeds" in (tmp_path / "truth" / "planted.json").read_text()


def test_sample_logs_are_small_and_of_every_format(tmp_path: Path):
    folder = sample_logs(tmp_path)
    files = list((folder / "logs").iterdir())
    assert sum(path.stat().st_size for path in files) < 8e6
    assert {"".join(path.suffixes) for path in files} == {".csv", ".csv.gz", ".txt", ".xml.gz"}
    assert not (folder / "truth").exists()
    parse_site((folder / "site.toml").read_text())

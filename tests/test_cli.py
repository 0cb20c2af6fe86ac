"""The command line, as a person meets it: what it prints, where, and with which exit code."""

import json
import os
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from shutil import copytree

import click
import polars as pl
import pytest
import typer

import runlog
from runlog import demo as demonstration
from runlog.cli import app, main
from runlog.cli.dashboard import command
from runlog.errors import RunlogError
from runlog.schema import TABLES
from runlog.simulator import simulate


@dataclass(frozen=True)
class Said:
    """What a command left behind."""

    code: int
    out: str
    err: str

    @property
    def words(self) -> str:
        """Standard output without its line breaks."""
        return " ".join(self.out.split())


Run = Callable[..., Said]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command in this process."""
    for name in ("RUNLOG_SITE", "RUNLOG_STORE", "RUNLOG_DEBUG", "RUNLOG_NO_BROWSER"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "100")

    def called(*args: str | Path) -> Said:
        with pytest.raises(SystemExit) as ended:
            main([str(arg) for arg in args])
        said = capsys.readouterr()
        assert "Traceback" not in said.out + said.err
        return Said(int(ended.value.code or 0), said.out, said.err)

    return called


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two machines, two days: site.toml and logs."""
    return simulate(tmp_path_factory.mktemp("shop"), start=date(2026, 11, 2), weeks=1, days=2, seed=5, machines=2)


@pytest.fixture(scope="module")
def stored(shop: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, read into a store once for all tests that only look."""
    folder = tmp_path_factory.mktemp("stored")
    copytree(shop, folder, dirs_exist_ok=True)
    os.environ.pop("RUNLOG_SITE", None)
    with pytest.raises(SystemExit) as ended:
        main(["ingest", str(folder / "logs"), *places(folder)])
    assert not ended.value.code
    return folder


def places(folder: Path) -> list[str]:
    return ["--site", str(folder / "site.toml"), "--store", str(folder / "store")]


def commands(group: click.Group, before: str = "") -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        found = group.get_command(context, name)
        assert found
        if hasattr(found, "commands"):
            yield from commands(found, f"{before}{name} ")  # type: ignore[arg-type]
        else:
            yield f"{before}{name}", found


COMMANDS = dict(commands(typer.main.get_command(app)))  # type: ignore[arg-type]
assert len(COMMANDS) > 30


# --- every command -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_explains_itself_in_a_line(name: str, run: Run):
    said = run(*name.split(), "--help")
    assert said.code == 0
    assert "Usage: runlog" in said.out
    for option in COMMANDS[name].params:
        words = getattr(option, "help", None)
        assert words, f"{name}: {option.name} has no help"
        assert len(words) < 90 or option.name == "table", f"{name}: {option.name} takes more than a line"


def test_version_and_running_as_a_module(run: Run):
    assert run("--version").out == f"runlog {runlog.__version__}\n"
    root = Path(runlog.__file__).parent.parent
    said = subprocess.run(
        [sys.executable, "-m", "runlog", "--version"],
        env=os.environ | {"PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert said.stdout == f"runlog {runlog.__version__}\n"


def test_a_wrong_word_is_told_on_standard_error(run: Run):
    said = run("nigth")
    assert said.code == 2
    assert "nigth" in said.err
    assert not said.out


# --- errors --------------------------------------------------------------------------------------


def test_an_error_is_one_message_and_exit_code_one(run: Run, tmp_path: Path):
    run("site", "new", tmp_path / "site.toml")
    said = run("night", "--site", tmp_path / "site.toml", "--store", tmp_path / "store")
    assert (said.code, said.out) == (1, "")
    assert said.err == f"runlog: {tmp_path / 'store'}: no store there yet; `runlog ingest FOLDER` reads logs into it\n"


def test_debugging_shows_where(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("RUNLOG_DEBUG", "0")
    with pytest.raises(RunlogError):
        main(["--debug", "night", "--store", str(tmp_path)])


def test_a_fault_of_ours_is_no_traceback_either(run: Run, stored: Path, monkeypatch: pytest.MonkeyPatch):
    def broken(*_: object) -> None:
        raise KeyError("spans")

    monkeypatch.setattr("runlog.cli.night.night_review", broken)
    said = run("night", *places(stored))
    assert said.code == 70
    assert "a fault of runlog's own, not of your logs: KeyError: 'spans'" in said.err
    assert "runlog --debug" in said.err


# --- ingest, derive, export ----------------------------------------------------------------------


def test_ingest_tells_of_every_file_and_adds_nothing_twice(run: Run, shop: Path, tmp_path: Path):
    store = ["--site", shop / "site.toml", "--store", tmp_path / "store"]
    said = run("ingest", shop / "logs", *store)
    assert said.code == 0, said.err
    for title in ("file", "rows", "offered", "events", "unchanged", "rejects", "ignored", "moved"):
        assert title in said.out.splitlines()[0]
    logs = [path.name for path in (shop / "logs").iterdir()]
    assert all(name in said.out for name in logs)
    assert f"{len(logs)} files" in said.out
    again = run("ingest", shop / "logs", *store)
    assert again.code == 0
    assert again.words == f"{len(logs)} files read before, nothing new."


@pytest.mark.parametrize("name", ["the store", "Süd", "50 %", "a#1"])
def test_a_store_may_lie_in_a_folder_of_any_name(name: str, run: Run, shop: Path, tmp_path: Path):
    store = tmp_path / name / "store"
    log = next((shop / "logs").glob("T01_*"))
    assert run("ingest", log, "--site", shop / "site.toml", "--store", store).code == 0
    said = run("night", "--site", shop / "site.toml", "--store", store)
    assert said.code == 0, said.err


def test_the_account_of_a_file_closes(run: Run, stored: Path, tmp_path: Path):
    assert run("export", "progress", "--to", tmp_path / "progress.parquet", *places(stored)[2:]).code == 0
    read = pl.read_parquet(tmp_path / "progress.parquet")
    assert (read["offered"] == read["events"] + read["rejects"] + read["unchanged"] + read["ignored"]).all()


def test_files_of_nobody_are_listed_and_missing_ones_are_an_error(run: Run, shop: Path, tmp_path: Path):
    stray = tmp_path / "stray [bold].log"
    stray.write_text("2026-11-02T06:00:00Z|exec|ACTIVE\n", encoding="utf-8")
    store = ["--site", shop / "site.toml", "--store", tmp_path / "store"]
    said = run("ingest", stray, *store)
    assert said.code == 0
    assert "1 file claimed by no source of the site file:" in said.out
    assert "stray [bold].log" in said.out
    missing = run("ingest", tmp_path / "gone.log", *store)
    assert missing.code == 1
    assert "1 file could not be read:" in missing.out
    assert "gone.log: no file or folder of this name found" in missing.words


def test_derive_follows_a_change_of_the_site_file(run: Run, stored: Path, tmp_path: Path):
    folder = copytree(stored, tmp_path / "changed")
    site = folder / "site.toml"
    site.write_text(site.read_text(encoding="utf-8").replace('name = "night"', 'name = "dark"'), encoding="utf-8")
    assert run("derive", *places(folder)).code == 0
    run("export", "shift_figures", "--to", tmp_path / "figures.parquet", "--store", folder / "store")
    assert "dark" in pl.read_parquet(tmp_path / "figures.parquet")["shift"]


@pytest.mark.parametrize("table", TABLES)
def test_every_table_leaves_with_its_columns(table: str, run: Run, stored: Path, tmp_path: Path):
    for suffix in ("csv", "parquet", "json"):
        said = run("export", table, "--to", tmp_path / f"t.{suffix}", "--store", stored / "store")
        assert said.code == 0, said.err
    assert pl.read_parquet(tmp_path / "t.parquet").schema == TABLES[table].schema
    header = (tmp_path / "t.csv").read_text(encoding="utf-8").splitlines()[0]
    assert header.split(",") == list(TABLES[table].columns)
    json.loads((tmp_path / "t.json").read_text(encoding="utf-8"))


def test_export_names_the_tables_and_suffixes_there_are(run: Run, stored: Path, tmp_path: Path):
    said = run("export", "stop", "--to", tmp_path / "a.csv", "--store", stored / "store")
    assert said.code == 1
    assert f"'stop' found, one of these tables expected: {', '.join(TABLES)}" in said.err
    said = run("export", "stops", "--to", tmp_path / "a.ods", "--store", stored / "store")
    assert said.code == 1
    assert ".csv, .parquet, .json expected" in said.err


# --- night ---------------------------------------------------------------------------------------


def test_night_without_a_date_is_the_last_one(run: Run, stored: Path):
    said = run("night", *places(stored))
    assert said.code == 0
    assert said.out.startswith("Night of Tuesday 3 November 2026, 22:00 to 06:00, Europe/Berlin (CET)")
    assert "\x1b" not in said.out
    assert max(map(len, said.out.splitlines())) <= 100


def test_night_of_a_date_and_of_one_machine(run: Run, stored: Path):
    said = run("night", "--date", "2026-11-02", "--machine", "T02", *places(stored))
    assert "Night of Monday 2 November 2026" in said.out
    assert "\nT02  " in said.out
    assert "\nT01  " not in said.out


def test_night_says_which_nights_and_machines_there_are(run: Run, stored: Path):
    said = run("night", "--date", "2026-12-24", *places(stored))
    assert said.code == 1
    assert "one from 2026-11-02 to 2026-11-03 expected" in said.err
    said = run("night", "--machine", "T09", *places(stored))
    assert said.code == 1
    assert "one of these expected: T01, T02" in said.err
    assert run("night", "--date", "yesterday", *places(stored)).code == 2


def test_night_as_json(run: Run, stored: Path):
    data = json.loads(run("night", "--json", *places(stored)).out)
    assert data["window"]["start"] == "2026-11-03T22:00:00+01:00"
    assert {row["machine"] for row in data["machines"]} == {"T01", "T02"}


# --- site ----------------------------------------------------------------------------------------


def test_site_new_writes_a_file_that_passes_and_never_overwrites(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.chdir(tmp_path)
    assert run("site", "new").out == "site.toml written. Fill it in, then: runlog site check site.toml\n"
    assert "site.toml: no mistakes. Our shop, Europe/Berlin: 1 machine, " in run("site", "check").words
    before = Path("site.toml").read_text(encoding="utf-8")
    said = run("site", "new")
    assert said.code == 1
    assert said.err == "runlog: site.toml: there is one already; name another file, or move it away first\n"
    assert Path("site.toml").read_text(encoding="utf-8") == before
    assert run("site", "new", "no/such/folder/site.toml").code == 1


def test_site_check_tells_every_mistake(run: Run, tmp_path: Path):
    file = tmp_path / "shop.toml"
    run("site", "new", file)
    text = (
        file.read_text(encoding="utf-8").replace("cycle_s = 75", "cycle_s = 0").replace("part_mm = 42", "part_mm = 0")
    )
    file.write_text(text, encoding="utf-8")
    said = run("site", "check", file)
    assert said.code == 1
    assert said.err.splitlines() == [
        "shop.toml: job[1].cycle_s: 0 found, a time above 0 s expected",
        "shop.toml: job[1].part_mm: 0 found, a length above 0 mm expected",
    ]


def test_site_check_looks_for_the_documents_a_site_names(run: Run, tmp_path: Path):
    file = tmp_path / "site.toml"
    run("site", "new", file)
    text = file.read_text(encoding="utf-8").replace('format = "csv"', 'format = "csv"\ndevices = "gone.xml"')
    file.write_text(text, encoding="utf-8")
    said = run("site", "check", file)
    assert said.code == 1
    assert "source[1].devices: 'gone.xml' found" in said.err


# --- simulate, demo, dashboard -------------------------------------------------------------------


def test_simulate_writes_a_shop_that_can_be_read(run: Run, tmp_path: Path):
    said = run("simulate", "--to", tmp_path / "a", "--weeks", "1", "--seed", "3", "--machines", "1")
    assert said.code == 0
    assert {path.name for path in (tmp_path / "a").iterdir()} == {"site.toml", "logs", "truth"}
    assert run("site", "check", tmp_path / "a" / "site.toml").code == 0
    again = run("simulate", "--to", tmp_path / "a", "--weeks", "1", "--seed", "3")
    assert again.code == 1
    assert "holds something" in again.err


@pytest.fixture
def samples(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Small sample logs in the place of the real ones."""
    folder = copytree(shop, tmp_path / "samples")
    monkeypatch.setattr(demonstration, "sample_logs", lambda: folder)
    return folder


def test_demo_reads_history_and_sample_logs_and_shows_the_last_night(run: Run, samples: Path, tmp_path: Path):
    to = tmp_path / "the demo"
    said = run("demo", "--to", to, "--no-browser", "--weeks", "1")
    assert said.code == 0, said.err
    assert "Night of Tuesday 3 November 2026" in said.out
    assert f'Dashboard: runlog dashboard --site "{to / "site.toml"}" --store "{to / "store"}"' in said.out
    assert run("night", "--date", "2026-10-27", *places(to)).code == 0
    again = run("demo", "--to", to, "--no-browser", "--weeks", "1")
    assert "read before, nothing new" in again.words


def test_demo_begins_anew_when_asked_for_another_history(run: Run, samples: Path, tmp_path: Path):
    to = tmp_path / "demo"
    assert run("demo", "--to", to, "--no-browser", "--weeks", "1").code == 0
    assert run("demo", "--to", to, "--no-browser", "--weeks", "0").code == 0
    said = run("night", "--date", "2026-10-27", *places(to))
    assert "one from 2026-11-02 to 2026-11-03 expected" in said.err


def test_demo_leaves_a_folder_of_somebody_else_alone(run: Run, samples: Path, tmp_path: Path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("all of it", encoding="utf-8")
    said = run("demo", "--to", tmp_path / "mine", "--no-browser")
    assert said.code == 1
    assert "holds something else, an empty folder expected" in said.err
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["thesis.txt"]


def test_the_dashboard_is_for_this_computer_only():
    words = command(8599)
    given = dict(zip(words[5::2], words[6::2], strict=True))
    assert words[:4] == [sys.executable, "-m", "streamlit", "run"]
    assert Path(words[4]).name == "app.py"
    assert given["--server.address"] == "127.0.0.1"
    assert given["--browser.gatherUsageStats"] == "false"
    assert given["--server.enableXsrfProtection"] == "true"


def test_a_port_in_use_is_told(run: Run):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        said = run("dashboard", "--no-browser", "--port", str(taken.getsockname()[1]))
    assert said.code == 1
    assert "in use, a free port expected" in said.err

"""`inspect`: what it says of files nobody described, and that its block works as it stands."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from intake.animals import ANIMALS, READ_AT, ZOO, told, zoo_site

from runlog.errors import ReadingError
from runlog.inspect import Inspection, inspect
from runlog.intake import read_file, source_for
from runlog.intake.reading import Reading
from runlog.simulator import sample_logs
from runlog.site import parse_site

SITE = '[site]\nname = "shop"\ntime_zone = "Europe/Berlin"\n'
FOREIGN = """Exported by;shop floor terminal;;;;;
;;;;;;
Datum;Uhrzeit;Maschinenstatus;Stückzahl;Programm;Restlänge;Störung
23.11.2026;21:50:00;Bereit;1.204;O4711;812,5;
23.11.2026;21:50:10;Läuft;1.204;O4711;812,5;
23.11.2026;21:51:25;Läuft;1.205;O4711;767,0;
23.11.2026;21:52:40;Störung;1.206;O4711;721,5;2101
"""


def pasted(found: Inspection, path: Path, site: str = SITE) -> Reading:
    """What the file gives with the proposed block at the end of the site file."""
    whole = parse_site(site + found.machine_block + found.source_block)
    source = source_for(path, whole)
    assert source
    return read_file(path, source, whole, READ_AT)


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sample_logs(tmp_path_factory.mktemp("samples")) / "logs"


def of_samples(samples: Path) -> list[Path]:
    """Two days of each machine, and the notes; the other days look the same."""
    return sorted(path for day in ("*_2026-10-12*", "*_2026-10-24*", "setup*") for path in samples.glob(day))


def test_the_block_of_every_sample_log_works_as_it_stands(samples: Path):
    paths = of_samples(samples)
    assert len(paths) == 13
    for path in paths:
        found = inspect(path, parse_site(SITE))
        reading = pasted(found, path)
        assert (reading.events.height, reading.rejects.height) == (found.events, 0), path.name
        assert found.events > 10
        if not path.name.startswith("setup"):
            assert {"EXECUTION", "CONDITION", "DOOR_STATE"} <= set(reading.events["item"]), path.name


@pytest.mark.parametrize("name", ANIMALS)
def test_the_block_of_every_animal_of_the_zoo_works_as_it_stands(name: str):
    found = inspect(ZOO / name, parse_site(SITE))
    reading = pasted(found, ZOO / name)
    assert (reading.events.height, reading.rejects.height) == (found.events, found.rejects)
    if "guess" in told(name):
        return  # what it takes to know better stands in the source of the animal only
    by_hand = read_file(ZOO / name, zoo_site(told(name)).source[0], zoo_site(told(name)), READ_AT)
    assert reading.events["at"].sort().to_list() == by_hand.events["at"].sort().to_list()


def test_a_shape_that_nobody_described_is_running_at_once(tmp_path: Path):
    path = tmp_path / "Drehmaschine-7_20261123.csv"
    path.write_bytes(FOREIGN.encode("cp1252"))
    found = inspect(path, parse_site(SITE))
    assert (found.encoding, found.shape["fields parted by"], found.shape["header"]) == (
        "Windows-1252",
        "a semicolon",
        "line 3",
    )
    reading = pasted(found, path)
    shown = reading.events.select("machine", "item", "sub_type", "text", "number", "code").rows()
    assert reading.rejects.height == 0
    assert ("Drehmaschine-7", "EXECUTION", "", "ACTIVE", None, None) in shown
    assert ("Drehmaschine-7", "PART_COUNT", "ALL", "1.206", 1206.0, None) in shown
    assert ("Drehmaschine-7", "LENGTH", "REMAINING", "721,5", 721.5, None) in shown
    assert ("Drehmaschine-7", "CONDITION", "", "FAULT", None, "2101") in shown
    assert reading.events["at"].max() == datetime(2026, 11, 23, 20, 52, 40, tzinfo=UTC)
    assert found.first_events.height == 8


def test_it_tells_what_would_be_rejected_and_what_is_lacking(tmp_path: Path):
    path = tmp_path / "T01.csv"
    path.write_text("time,run\n2026-03-02 06:00,RUN\nnoon,IDLE\n2026-03-02 06:05,IDLE\n2026-03-02 06:09,RUN,\n")
    found = inspect(path, parse_site(SITE))
    assert found.rejects == 2
    assert [count for count, _ in found.reasons] == [1, 1]
    assert found.first_rejects["line"].to_list() == [3, 5]
    lacks = "\n".join(found.lacks)
    assert "no part counter: parts from stretches of ACTIVE" in lacks
    assert "no END_OF_BAR nor MATERIAL_CHANGE: no reloads" in lacks
    assert "remnant is inferred" in lacks
    assert "no EXECUTION" not in lacks


def test_a_machine_of_the_site_is_known_by_the_name_of_the_file(tmp_path: Path):
    path = tmp_path / "t01-2026-03-02.csv"
    path.write_text("time,run\n2026-03-02 06:00,RUN\n")
    site = SITE + '[[machine]]\nname = "T01"\n[[machine]]\nname = "T02"\n'
    found = inspect(path, parse_site(site))
    assert (found.machines, found.machine_block) == (["T01"], "")
    assert pasted(found, path, site).events["machine"].to_list() == ["T01"]


def test_a_file_that_a_source_claims_is_read_by_it_and_gets_no_block(tmp_path: Path):
    path = tmp_path / "T01.csv"
    path.write_text("time,run\n2026-03-02 06:00,RUN\n")
    site = SITE + '[[machine]]\nname = "T01"\n[[source]]\nname = "mine"\nfiles = ["T01*"]\ncsv = { time = "time" }\n'
    found = inspect(path, parse_site(site))
    assert (found.claimed_by, found.source_block) == ("mine", "")
    assert found.items["item"].to_list() == ["x:RUN"]


def test_columns_of_machines_become_machines(tmp_path: Path):
    path = tmp_path / "all.csv"
    path.write_text("time,machine,state\n2026-03-02 06:00,L7,Running\n2026-03-02 06:00,L8,Idle\n")
    found = inspect(path, parse_site(SITE + '[[machine]]\nname = "l7"\n'))
    assert found.machines == ["L8", "l7"]
    assert '"l7"' in found.source_block
    assert 'name = "L8"' in found.machine_block
    assert 'name = "l7"' not in found.machine_block


def test_a_device_without_a_name_is_called_like_the_file(tmp_path: Path):
    path = tmp_path / "T01_2026-03-02.xml"
    named = (ZOO / "xml-order.xml").read_text().replace('name="lathe7" uuid="u-7"', "")
    path.write_text(named)
    assert inspect(path).machines == ["T01"]


@pytest.mark.parametrize("content", [b"", b"hello\nworld\n", b"a,b\n1,2\n", b"\x00\x01\x02", b"PK\x05\x06" + bytes(18)])
def test_what_is_no_log_is_told(content: bytes, tmp_path: Path):
    path = tmp_path / "x.bin"
    path.write_bytes(content)
    with pytest.raises(ReadingError, match=r"x\.bin: .* found, .* expected"):
        inspect(path)


def test_odd_names_do_not_break_the_block(tmp_path: Path):
    path = tmp_path / 'a [1] "b" #ü.csv'
    path.write_text('time,"sta""te","x\\y = [z]",é\n2026-03-02 06:00,Running,1,\u007f\n', encoding="utf-8")
    found = inspect(path, parse_site(SITE))
    assert pasted(found, path).events.height == 3


def test_the_command_shows_it_and_gives_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    from runlog.cli import main

    path = tmp_path / "T01_2026-11-23.csv"
    path.write_bytes(FOREIGN.encode())
    with pytest.raises(SystemExit) as done:
        main(["inspect", str(path), "--zone", "Europe/Berlin"])
    shown = capsys.readouterr().out
    assert done.value.code == 0
    assert '[[source]]\nname = "T01 log"\nfiles = ["T01_*.csv"]' in shown
    with pytest.raises(SystemExit):
        main(["inspect", str(path), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert told["machines"] == ["T01"]
    assert told["first_events"][0]["item"] == "EXECUTION"

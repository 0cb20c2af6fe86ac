"""A short fault campaign: no event lost, none too many, none stored twice, facts as of a clean read."""

import os
from pathlib import Path

import polars as pl
import pytest
from deltalake import DeltaTable, write_deltalake
from faults.branches import branches
from faults.campaign import campaign
from faults.compared import Difference, compared
from faults.soak import soak
from searching import examples
from watch.shop import HEADER, lines, rows, taken

from runlog.store import Store


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="kills as other systems know them")
def test_a_watcher_killed_again_and_again_loses_and_doubles_nothing(tmp_path: Path):
    result = campaign(kills=20, seed=3, folder=tmp_path, within_s=500)
    assert result.is_good, result.table()
    assert result.difference.events > 300
    assert result.at_work >= 1  # most are aimed at a watcher at work; a computer with other work misses some


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_looks_at_logs_that_go_on_meanwhile_lose_and_double_nothing(tmp_path: Path, seed: int):
    found = soak(seed, looks=12, folder=tmp_path)
    assert found.is_none, found
    assert found.events > 200


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(examples(4)))
def test_logs_that_begin_alike_and_go_on_differently_are_all_kept(tmp_path: Path, seed: int):
    kept, wanted = branches(seed, looks=14, folder=tmp_path)
    assert kept == wanted


# --- what the comparison would show ---------------------------------------------------------------


@pytest.fixture
def stores(tmp_path: Path) -> tuple[Store, Store]:
    """Two stores of the same logs."""
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "T01.csv").write_text(HEADER + rows(0, 5))
    # The values before the first repeated key are restated ones: `restated` has a row, too.
    (logs / "T02.log").write_text("2026-03-02T19:00:00Z|x|1\n" + lines(0, 5) + "no line\n")
    made = Store(tmp_path / "store"), Store(tmp_path / "clean")
    for store in made:
        taken(logs, store)
    return made


def found(difference: Difference) -> dict[str, object]:
    """What differs."""
    counts = ("lost", "extra", "repeated", "rejects_lost", "rejects_extra", "facts")
    return {name: value for name in counts if (value := getattr(difference, name))}


def table(store: Store, name: str) -> str:
    return str(store.folder / name)


def test_equal_stores_do_not_differ(stores: tuple[Store, Store]):
    difference = compared(*stores)
    assert (found(difference), difference.is_none) == ({}, True)
    assert difference.stored == difference.events == 27  # 5 x 3 rows and the program once, 5 x 2 lines and x


@pytest.mark.parametrize("name", ["events", "restated"])
def test_rows_stored_twice_are_counted_though_the_view_shows_them_once(stores: tuple[Store, Store], name: str):
    twice = pl.scan_delta(table(stores[0], name)).collect()
    write_deltalake(table(stores[0], name), twice, mode="append")
    assert found(compared(*stores)) == {"repeated": twice.height}
    assert twice.height


def test_a_lost_event_is_counted(stores: tuple[Store, Store]):
    DeltaTable(table(stores[0], "events")).delete("machine = 'T01' and text = '102'")
    assert found(compared(*stores)) == {"lost": 1}


def test_an_event_too_many_is_counted_though_it_changes_no_fact(stores: tuple[Store, Store]):
    DeltaTable(table(stores[1], "events")).delete("machine = 'T01' and text = '102'")
    assert found(compared(*stores)) == {"extra": 1}


def test_a_changed_event_is_one_lost_and_one_too_many(stores: tuple[Store, Store]):
    DeltaTable(table(stores[0], "events")).update(predicate="text = '102'", new_values={"text": "'10'"})
    assert found(compared(*stores)) == {"lost": 1, "extra": 1}


def test_rejects_and_facts_are_compared(stores: tuple[Store, Store]):
    DeltaTable(table(stores[0], "rejects")).delete("true")
    stores[0].replace_facts({"parts": stores[0].fact("parts").head(2)})
    assert found(compared(*stores)) == {"rejects_lost": 1, "facts": ["parts"]}

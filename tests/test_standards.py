"""An edited site file, through the store: which shifts follow it, and that little of it needs all events."""

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from shutil import copytree

import polars as pl
import pytest

from runlog import pipeline
from runlog.pipeline import ingest, is_current, rederive
from runlog.simulator import simulate
from runlog.site import CauseRule, Closure, Dashboard, Site, load_site
from runlog.store import Store, delta


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """Ten days of one machine."""
    folder = tmp_path_factory.mktemp("shop")
    return simulate(folder, start=date(2026, 9, 7), weeks=2, days=10, seed=4, machines=1, formats=("csv long",))


def edited(site: Site, **changes) -> Site:
    """The site with every job edited."""
    return site.model_copy(update={"job_": [job.model_copy(update=changes) for job in site.jobs]})


def standard_times(store: Store) -> pl.DataFrame:
    """shift_start and what PRI says of the reload time planned, once a shift and job."""
    return store.fact("shift_figures").select("shift_start", "job", "pri_s").sort("shift_start", "job").collect()


@pytest.fixture(scope="module")
def first_days(shop, tmp_path_factory) -> tuple[Path, list[Path]]:
    """A store of all but the last day, and the logs of that."""
    site, store = load_site(shop / "site.toml"), Store(tmp_path_factory.mktemp("first") / "store")
    logs = sorted(shop.joinpath("logs").iterdir())
    days = sorted({path.name.split("_")[-1] for path in logs if "_" in path.name})
    ingest([path for path in logs if days[-1] not in path.name], site, store, base=shop)
    return store.folder, [path for path in logs if days[-1] in path.name]


@pytest.fixture
def stored(shop, first_days, tmp_path) -> tuple[Store, Site, list[Path]]:
    """The store, the site, and the logs of the last day."""
    return Store(copytree(first_days[0], tmp_path / "store")), load_site(shop / "site.toml"), first_days[1]


def test_shifts_before_an_edit_keep_their_standard_until_asked_otherwise(stored, shop, monkeypatch):
    store, site, last = stored
    before = standard_times(store)
    new = edited(site, cycle_s=500.0)
    assert is_current(site, store)
    assert not is_current(new, store)
    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "derive_all", lambda *_: 1 / 0)  # a part of the events must do
        told = rederive(new, store)
    assert {one.job for one in told} == {job.name for job in site.jobs}
    assert f"from the shift of {told[0].valid_from.astimezone(site.zone):%Y-%m-%d %H:%M} on" in str(told[0])
    after = standard_times(store)
    is_new = pl.col("shift_start") >= told[0].valid_from
    assert after.filter(~is_new).equals(before.filter(~is_new))
    assert (after.filter(is_new)["pri_s"].drop_nulls() >= 500).all()
    assert after.filter(is_new).height

    assert ingest(last, new, store, base=shop).standards == []
    by_parts = standard_times(store)
    assert by_parts.filter(pl.col("shift_start") < told[0].valid_from).equals(before.filter(~is_new))

    assert rederive(new, store, afresh=True) == []
    assert (standard_times(store)["pri_s"].drop_nulls() >= 500).all()
    assert is_current(new, store)


def test_a_date_in_the_site_file_says_from_when(stored):
    store, site, _ = stored
    new = edited(site, cycle_s=500.0, valid_from=date(2026, 9, 10))
    told = rederive(new, store)
    assert {one.valid_from for one in told} == {datetime(2026, 9, 10, 4, tzinfo=UTC)}, "06:00 in Berlin"
    rows = standard_times(store)
    late = rows.filter(pl.col("shift_start") >= told[0].valid_from)["pri_s"].drop_nulls()
    early = rows.filter(pl.col("shift_start") < told[0].valid_from)["pri_s"].drop_nulls()
    assert (late >= 500).all()
    assert (early < 500).all()
    assert late.len() > 5
    assert early.len() > 5


def test_one_more_day_needs_a_part_of_the_events_and_gives_the_same(stored, shop, tmp_path, monkeypatch):
    store, site, last = stored
    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "derive_all", lambda *_: 1 / 0)
        ingest(last, site, store, base=shop)
    whole = Store(tmp_path / "whole")
    ingest([shop / "logs"], site, whole, base=shop)
    for name, frame in whole.facts().items():
        one, other = frame.collect(), store.fact(name).collect()
        assert other.sort(other.columns).equals(one.sort(one.columns)), name


def same_facts(store: Store, site: Site, monkeypatch) -> None:
    """Facts are brought up to date without all events, and then those of all events."""
    assert not is_current(site, store)
    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "derive_all", lambda *_: 1 / 0)
        rederive(site, store)
    assert is_current(site, store)
    found = {name: frame.collect() for name, frame in store.facts().items()}
    rederive(site, store, afresh=True)
    for name, frame in store.facts().items():
        one, other = frame.collect(), found[name]
        assert other.sort(other.columns).equals(one.sort(one.columns)), name


def test_a_cause_rule_a_closure_and_a_machine_are_edited_without_all_events(stored, monkeypatch):
    store, site, _ = stored
    code = store.fact("alarms").select("code").drop_nulls().collect()["code"].mode().sort()[0]
    rule = CauseRule(cause="hydraulics", codes=[code])
    same_facts(store, site.model_copy(update={"cause": [rule, *site.cause]}), monkeypatch)
    assert store.fact("alarms").filter(code=code).collect()["cause"].unique().to_list() == ["hydraulics"]

    closed = Closure(start=date(2026, 9, 14), end=date(2026, 9, 15), reason="inventory")
    same_facts(store, site.model_copy(update={"closure": [*site.closure, closed]}), monkeypatch)

    more = site.machines[0].model_copy(update={"name": "T99"})
    same_facts(store, site.model_copy(update={"machine_": [*site.machines, more]}), monkeypatch)
    assert store.fact("shift_figures").filter(machine="T99").collect().height


def test_what_no_fact_is_made_of_leaves_facts_as_they_are(stored):
    store, site, _ = stored
    told = site.model_copy(update={"dashboard": Dashboard(writers=["a@example.com"]), "source": []})
    assert is_current(told, store)


def test_a_plan_needs_no_more_than_its_shifts_also_when_the_one_before_was_tidied_away(stored, monkeypatch):
    store, site, _ = stored
    for quantity in (7, 9):
        plan = {"machine": "T01", "shift_date": date(2026, 9, 14), "shift": site.shift[0].name}
        row = {**plan, "job": site.jobs[0].name, "quantity": quantity, "file": "p.csv", "line": 2}
        store.put("plans", pl.DataFrame([{**row, "read_at": datetime.now(UTC)}]), by=("machine", "shift_date", "shift"))
        for file in store.folder.rglob("*"):
            os.utime(file, (0, 0))
        monkeypatch.setattr(delta, "KEPT", timedelta(0))
        for _ in store.tidy():
            pass
        same_facts(store, site, monkeypatch)


def test_a_plan_that_was_taken_in_makes_facts_old_until_they_are_derived(stored):
    store, site, _ = stored
    plan = {"machine": "T01", "shift_date": date(2026, 9, 8), "shift": site.shift[0].name, "job": site.jobs[0].name}
    rows = pl.DataFrame([{**plan, "quantity": 7, "file": "p.csv", "line": 2, "read_at": datetime.now(UTC)}])
    store.put("plans", rows, by=("machine", "shift_date", "shift"))
    assert not is_current(site, store)
    rederive(site, store)
    assert is_current(site, store)
    found = store.fact("shift_plans").filter(
        pl.col("shift_date") == date(2026, 9, 8), pl.col("basis") == "order system"
    )
    assert found.collect()["planned_parts"].to_list() == [7.0]

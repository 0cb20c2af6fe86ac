"""Invariants 4 and 5: in whatever order and portions logs arrive, deriving as they come equals deriving all at once."""

from datetime import date
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runlog.pipeline import ingest
from runlog.schema import FACT_TABLES
from runlog.simulator import simulate
from runlog.site import load_site
from runlog.store import Store

SEEN = ["source", "file", "line", "body_start", "cell"]
"""Columns that say where an observation was read, not what it was."""


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """Nine days of three machines with the end of summer time among them, a format each, a file a machine and day."""
    folder = tmp_path_factory.mktemp("shop")
    formats = ("csv long", "adapter lines", "mtconnect streams")
    return simulate(folder, start=date(2026, 10, 19), weeks=2, days=9, seed=5, machines=3, formats=formats)


def read(shop: Path, portions: list[list[Path]], folder: Path) -> tuple[pl.DataFrame, dict[str, pl.DataFrame]]:
    """Ingest portion after portion, deriving after each; the events and facts at the end."""
    store, site = Store(folder), load_site(shop / "site.toml")
    for portion in portions:
        ingest(portion, site, store, base=shop)
    events = store.events().drop(SEEN).collect()
    return events, {table.name: store.fact(table.name).collect() for table in FACT_TABLES}


@pytest.fixture(scope="module")
def at_once(shop, tmp_path_factory):
    return read(shop, [[shop / "logs"]], tmp_path_factory.mktemp("store"))


@pytest.mark.slow
@given(st.data())
@settings(
    max_examples=2, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_any_order_and_portions_give_the_same(shop, at_once, tmp_path_factory, data):
    paths = sorted((shop / "logs").iterdir())
    order = data.draw(st.permutations(paths))
    cuts = sorted(data.draw(st.sets(st.integers(1, len(paths) - 1), min_size=1, max_size=3)))
    portions = [order[start:end] for start, end in zip([0, *cuts], [*cuts, len(paths)], strict=True)]
    events, facts = read(shop, [*portions, order[:2]], tmp_path_factory.mktemp("store"))
    by = ["machine", "at", "data_item", "text", "nth"]
    assert events.sort(by, nulls_last=True).equals(at_once[0].sort(by, nulls_last=True))
    for name, frame in at_once[1].items():
        assert facts[name].sort(frame.columns).equals(frame.sort(frame.columns)), name


@pytest.mark.slow
def test_night_by_night_equals_everything_at_once(shop, at_once, tmp_path):
    days = sorted({path.name.split("_")[-1][:10] for path in (shop / "logs").iterdir() if "_" in path.name})
    notes = [path for path in (shop / "logs").iterdir() if "_" not in path.name]
    portions = [[*notes, *(shop / "logs").glob(f"*_{day}*")] for day in days]
    assert len(portions) >= 3
    _, facts = read(shop, portions, tmp_path)
    for name, frame in at_once[1].items():
        assert facts[name].sort(frame.columns).equals(frame.sort(frame.columns)), name

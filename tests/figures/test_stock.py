"""The bar account by hand."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from derive.literal import SITE

from runlog.figures.stock import PARTS_OF_A_BAR, bar_account, bar_rows, short_bars
from runlog.schema import BARS, SHIFT_PLANS
from runlog.site import parse_site

SHOP = parse_site(SITE)
NOON = datetime(2026, 1, 13, 12, tzinfo=UTC)


def frame(table, *rows: dict) -> pl.LazyFrame:
    return pl.LazyFrame([dict.fromkeys(table.columns) | row for row in rows], schema=table.schema)


PLANS = frame(
    SHIFT_PLANS,
    {"machine": "T01", "shift_date": date(2026, 1, 13), "shift": "day", "shift_start": NOON - timedelta(hours=6)},
)


def bar(**given) -> dict:
    """A pin bar: 300 loaded; 5 parts of 40, 4 of parting and facing each; top cut 4; 76 left. 0.002 kg/mm, 2 a kg."""
    return {
        "machine": "T01", "finished_at": NOON, "job": "pin", "parts": 5, "planned_parts": 5, "loaded_mm": 300.0,
        "used_mm": 224.0, "parts_mm": 200.0, "parting_mm": 20.0, "top_cut_mm": 4.0, "remnant_mm": 76.0,
        "remnant_basis": "inferred", "planned_remnant_mm": 76.0, "kg_per_mm": 0.002, "price_per_kg": 2.0,
        "material": "steel", "diameter_mm": 20.0,
    } | given  # fmt: skip


def account(*bars: dict, by: tuple[str, ...] = ()) -> list[dict]:
    facts = {"bars": frame(BARS, *bars), "shift_plans": PLANS}
    return bar_account(bar_rows(facts, SHOP), by).collect().to_dicts()


def test_the_account_of_two_bars():
    """One as planned; of the other 4 parts, 76 left as measured and 44 unaccounted: a part fell or was never there."""
    short = bar(parts=4, used_mm=180.0, parts_mm=160.0, parting_mm=16.0, remnant_basis="measured", unaccounted_mm=44.0)
    (got,) = account(bar(), short)
    lengths = {name: got[f"{name}_mm"] for name in PARTS_OF_A_BAR}
    assert lengths == {
        "loaded": 600, "parts": 360, "parting": 36, "top_cut": 8, "remnant": 152, "unaccounted": 44,
        "planned_remnant": 152,
    }  # fmt: skip
    assert lengths["loaded"] == sum(lengths[name] for name in PARTS_OF_A_BAR[1:6])
    assert (got["remnant_kg"], got["remnant_cost"]) == (pytest.approx(0.304), pytest.approx(0.608))
    assert (got["remnant_share"], got["parts_share"]) == (pytest.approx(152 / 600), 0.6)
    assert (got["bars"], got["bars_short"], got["bars_measured"], got["bars_inferred"]) == (2, 1, 1, 1)
    assert got["good_mm"] is None


def test_good_length_is_known_where_all_quality_is():
    assert account(bar(good_mm=160.0), bar(good_mm=200.0))[0]["good_mm"] == 360
    assert account(bar(good_mm=160.0), bar())[0]["good_mm"] is None


def test_a_bar_whose_end_nobody_knows_is_counted_beside_it():
    (got,) = account(bar(), bar(remnant_mm=None, remnant_basis=None, flag="end unknown"))
    assert (got["bars"], got["bars_unknown"], got["loaded_mm"], got["parts"]) == (1, 1, 300, 5)


def test_money_is_known_where_every_price_is():
    """By material: steel at 2 a kg, brass without a price."""
    brass = bar(material="brass", price_per_kg=None)
    by_material = {row["material"]: row for row in account(bar(), brass, by=("material",))}
    assert by_material["steel"]["remnant_cost"] == pytest.approx(0.304)
    assert by_material["brass"]["remnant_cost"] is None
    assert by_material["brass"]["remnant_kg"] == pytest.approx(0.152)
    assert account(bar(), brass)[0]["remnant_cost"] is None


def test_short_bars_are_listed_with_what_is_missing():
    facts = {
        "bars": frame(
            BARS,
            bar(),
            bar(parts=3, flag="fewer parts than planned"),
            bar(remnant_basis="measured", unaccounted_mm=30.0, flag="unaccounted stock"),
        ),
        "shift_plans": PLANS,
    }
    got = short_bars(bar_rows(facts, SHOP)).collect()
    assert got.select("missing_parts", "unaccounted_mm", "flag").rows() == [
        (2, None, "fewer parts than planned"),
        (0, 30.0, "unaccounted stock"),
    ]

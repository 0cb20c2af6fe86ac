"""Sawing a bought bar: by hand, and that its stock account closes."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan.shops import shop

from runlog.plan.sawing import SAWING_ABOUT, sawing_table


def ways(frame) -> dict[int, dict]:
    return {row["pieces"]: row for row in frame.iter_rows(named=True)}


def test_three_pieces_by_hand():
    """3000 mm, kerf 3: three of (3000 - 2 x 3) / 3 = 998 mm. n = floor((998 - 5 - 90) / 45.5) = 19, remnant
    998 - 5 - 864.5 = 128.5 mm; 57 parts a bought bar, 100 / 19 = 5.26 reloads per 100; twelve pieces last
    12 x (19 x 75 + 40) = 17 580 s. Remnants take 3 x 128.5 / 3000 = 12.85 %, all waste
    1 - 57 x 45.5 / 3000 = 13.55 %.
    """
    site, job = shop()
    table = sawing_table(site, "T01", job)
    assert table.columns == list(SAWING_ABOUT)
    three = ways(table)[3]
    assert (three["piece_mm"], three["parts_per_piece"], three["parts_per_bought"]) == (998.0, 19, 57)
    assert (three["remnant_mm"], three["offcut_mm"]) == (128.5, 0.0)
    assert three["remnant_share"] == pytest.approx(0.1285)
    assert three["waste_share"] == pytest.approx(0.1355)
    assert three["reloads_per_100"] == pytest.approx(100 / 19)
    assert (three["magazine_parts"], three["endurance_s"]) == (228, 17_580.0)
    assert (three["rank"], three["verdict"]) == (1, "best in both")


def test_what_does_not_fit_says_by_how_much():
    """Two of 1498.5 mm into a feeder that takes 1250: 248.5 mm too long, and no rank."""
    site, job = shop()
    two = ways(sawing_table(site, "T01", job))[2]
    assert (two["piece_mm"], two["too_long_mm"], two["rank"], two["verdict"]) == (1498.5, 248.5, None, "too long")
    assert ways(sawing_table(site, "T01", job, longest_mm=1498.5))[2]["rank"] == 1


def test_rounding_down_to_whole_parts_can_part_reloads_and_waste():
    """Pitch 300, top cut 0, minimum remnant 0, kerf 0, bar 3000, longest 1100: three of 1000 hold 3 parts each, 9 in
    all; five of 600 hold 2 each, 10 in all. Three ask for fewer reloads, five waste less.
    """
    site, job = shop(
        feeder={"minimum_remnant_mm": 0, "longest_bar_mm": 1100},
        part_mm=300, parting_mm=0, facing_mm=0, top_cut_mm=0, bar_mm=1000,
    )  # fmt: skip
    found = ways(sawing_table(site, "T01", job, kerf_mm=0))
    assert (found[5]["verdict"], found[5]["rank"]) == ("least waste", 1)
    assert (found[3]["verdict"], found[3]["rank"]) == ("fewest reloads", 2)
    assert (found[4]["verdict"], found[4]["beaten_by"]) == ("beaten", 5)  # 2 each too, but 8 in all


def test_a_countdown_preset_does_not_bind_pieces_of_another_length():
    site, job = shop(parts_per_bar=5)
    assert ways(sawing_table(site, "T01", job))[3]["parts_per_piece"] == 19


def test_without_a_feeder_nothing_limits_and_no_magazine_lasts():
    site, job = shop(minimum_remnant_mm=90, planned_reload_s=40)
    site = site.model_copy(update={"machine_": [site.machines[0].model_copy(update={"feeder": None})]})
    whole = ways(sawing_table(site, "T01", job))[1]
    assert (whole["too_long_mm"], whole["rank"], whole["endurance_s"]) == (None, 1, None)


def test_a_piece_that_gives_no_part_is_no_way():
    """300.15 mm in three of 100.05: cut to 100.0 mm, a part of 100.05 mm does not fit."""
    site, job = shop(feeder={"minimum_remnant_mm": 0}, part_mm=100.05, parting_mm=0, facing_mm=0, top_cut_mm=0)
    assert sorted(ways(sawing_table(site, "T01", job, bought_mm=300.15, kerf_mm=0))) == [1, 2]


def test_a_bar_too_short_for_a_part_gives_no_way():
    site, job = shop()
    assert sawing_table(site, "T01", job, bought_mm=140).height == 0


@settings(deadline=None)
@given(
    st.integers(100, 60_000), st.integers(0, 60), st.integers(10, 2000), st.integers(0, 100), st.integers(0, 2000)
)  # fmt: skip
def test_the_account_of_every_way_closes(bought_tenths, kerf_tenths, part_tenths, top_cut_tenths, remnant_tenths):
    site, job = shop(
        feeder={"minimum_remnant_mm": remnant_tenths / 10}, part_mm=part_tenths / 10, top_cut_mm=top_cut_tenths / 10
    )
    pitch = job.part_mm + job.parting_mm + job.facing_mm
    table = sawing_table(site, "T01", job, bought_mm=bought_tenths / 10, kerf_mm=kerf_tenths / 10)
    for way in table.iter_rows(named=True):
        piece = job.top_cut_mm + way["parts_per_piece"] * pitch + way["remnant_mm"]
        assert piece == pytest.approx(way["piece_mm"])
        whole = way["pieces"] * piece + (way["pieces"] - 1) * kerf_tenths / 10 + way["offcut_mm"]
        assert whole == pytest.approx(bought_tenths / 10)
        assert remnant_tenths / 10 - 1e-9 <= way["remnant_mm"] < remnant_tenths / 10 + pitch
        assert 0 <= way["offcut_mm"] < way["pieces"] * 0.1 + 1e-9
    # One more piece than the most listed gives no part each.
    most = max(table["pieces"].to_list(), default=0)
    next_piece = (bought_tenths - most * kerf_tenths) // (most + 1) / 10
    assert next_piece < job.top_cut_mm + remnant_tenths / 10 + pitch + 1e-9


@settings(deadline=None)
@given(st.integers(3000, 40_000), st.integers(100, 2000))
def test_ranks_agree_with_comparing_all_pairs(bought_tenths, part_tenths):
    site, job = shop(part_mm=part_tenths / 10)
    fitting = [
        way for way in ways(sawing_table(site, "T01", job, bought_mm=bought_tenths / 10)).values() if way["rank"]
    ]

    def beats(one: dict, other: dict) -> bool:
        pairs = [(one[name], other[name]) for name in ("parts_per_piece", "parts_per_bought")]
        return all(a >= b for a, b in pairs) and any(a > b for a, b in pairs)

    for way in fitting:
        beaters = {other["pieces"] for other in fitting if beats(other, way)}
        assert (way["beaten_by"] in beaters) if beaters else way["beaten_by"] is None
    unbeaten = [way for way in fitting if way["beaten_by"] is None]
    assert [way["rank"] for way in unbeaten] == sorted(way["rank"] for way in unbeaten)
    assert [way["stock_per_part_mm"] for way in unbeaten] == sorted(way["stock_per_part_mm"] for way in unbeaten)

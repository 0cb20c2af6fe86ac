"""Tonight as a page: what it says equals the figures, a plan in the address changes it, odd addresses are told."""

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest
import theme
import tonight_charts
import tonight_plan
from dashboards.pages import html
from stacked import tops

from runlog.figures.cautions import CAUTIONS
from runlog.figures.tonight import tonight_review
from runlog.night_plans import NIGHT_PLAN, read_night_plan
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told

SITE = Path(__file__).parents[2] / "sample_logs" / "site.toml"


def review_of(store: Path, plan: pl.DataFrame | None = None):
    shop, now = load_site(SITE), datetime.now(UTC)
    return tonight_review(facts_as_told(Store(store), shop), shop, now, plan=plan)


def test_it_opens_with_the_machine_most_at_risk(opened, sample_store):
    page = html(opened(sample_store, SITE, "tonight"))
    first = review_of(sample_store).machines.row(0, named=True)
    assert f"{first['machine']} is most at risk: {100 * first['reach']:.0f} % to get through" in page
    assert CAUTIONS[1].split(";")[0] in page
    assert first["finding"] in page


def test_a_plan_in_the_address_changes_what_is_expected(opened, sample_store):
    page = html(opened(sample_store, SITE, "tonight", plan="T06~~2~"))
    assert "What that changes" in page
    assert "the last of 2 bars" in page
    assert "T06: " in page.split("What that changes")[1]


@pytest.mark.parametrize("plan", ["T99~~1~", "T01~no such job~1~", "T01~~many~", "T01~~-1~", "<b>~~~"])
def test_what_the_address_says_wrongly_is_told_and_left_out(opened, sample_store, plan):
    page = html(opened(sample_store, SITE, "tonight", plan=plan))
    assert "Left out of the address" in page
    assert "What that changes" not in page
    assert "<b>~" not in page


def test_a_job_is_planned_sawn_and_paid_for(opened, sample_store):
    page = opened(sample_store, SITE, "tonight", job="pin 2208", order="500", machine="T02")
    said = html(page)
    assert page.selectbox(key="job").value == "pin 2208"
    assert "Stock for 500 parts" in said
    assert "A bought bar of" in said
    assert "Unattended running pays" in said


def test_a_shop_without_a_night_before_says_so(opened, shop_on_disk):
    page = html(opened(*shop_on_disk, "tonight"))
    assert "T01" in page


def test_no_store_is_a_sentence(opened, shop_on_disk, tmp_path):
    assert "Nothing to show yet" in html(opened(tmp_path / "store", shop_on_disk[1], "tonight"))


def test_a_start_that_is_none_is_told_and_the_next_shift_taken(opened, shop_on_disk):
    page = html(opened(*shop_on_disk, "tonight", start="foo"))
    assert "Start: a local time such as " in page
    assert "What is loaded" in page


# --- the plan in the address -----------------------------------------------------------------------

BASE = pl.DataFrame(
    {
        "machine": ["T01", "T02"],
        "job": ["bush 4711", "pin 2208"],
        "bars": [None, None],
        "parts_left": [None, None],
        "at": [datetime(2026, 11, 23, 21, tzinfo=UTC)] * 2,
    },
    schema=NIGHT_PLAN,
)


def test_a_plan_goes_into_the_address_and_comes_back():
    site = load_site(SITE)
    plan = BASE.with_columns(
        bars=pl.Series([12, None], dtype=pl.Int64), parts_left=pl.Series([None, 3], dtype=pl.Int64)
    )
    said = tonight_plan.as_address(BASE, plan)
    assert said == "T01~bush 4711~12~|T02~pin 2208~~3"
    back, problems = tonight_plan.with_address(BASE, said, site)
    assert back.equals(plan)
    assert problems == []
    assert tonight_plan.as_address(BASE, BASE) is None


def test_the_list_to_take_away_is_one_that_can_be_read(tmp_path):
    site, file = load_site(SITE), tmp_path / "tonight.csv"
    plan = BASE.with_columns(bars=pl.Series([12, None], dtype=pl.Int64))
    tonight_plan.as_file(plan, site.site.time_zone).write_csv(file)
    now = datetime(2026, 11, 23, 12, tzinfo=UTC)
    assert read_night_plan(file, site, now, now).equals(plan)


# --- charts --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def review(sample_store):
    return review_of(sample_store)


def test_the_line_of_a_machine_falls_from_one_to_its_chance(review):
    window = tonight_charts.window_of(review)
    assert window is not None
    names = review.machines.filter(pl.col("reach").is_not_null())["machine"].to_list()
    rows = review.machines.filter(pl.col("machine").is_in(names))
    drawn = tonight_charts.at_work(rows, review.shop.hours, window, theme.LIGHT)["datasets"]
    assert drawn["axes"]["machine"].to_list() == rows["machine"].to_list()
    assert drawn["lines"]["machine"].n_unique() == len(names)
    for (_, row_px), line in (
        drawn["lines"]
        .join(tops(rows["machine"].to_list(), tonight_charts.PITCH_PX), on="machine")
        .group_by("machine", "row_px")
    ):
        percent, y = line["percent"].to_list(), line["y"].to_list()
        assert (percent[0], y[0]) == (100, row_px)
        assert all(later <= sooner for sooner, later in pairwise(percent))
        # Half a chance is half way down the row.
        assert y == pytest.approx([row_px + tonight_charts.ROW_PX * (100 - one) / 100 for one in percent])


def test_what_ends_a_night_is_marked_where_it_is_told(review):
    window = tonight_charts.window_of(review)
    assert window is not None
    told = review.machines.filter(pl.col("first_stop_at").is_between(window.start, window.end))
    drawn = tonight_charts.at_work(told, review.shop.hours, window, theme.LIGHT)["datasets"]
    hours = (told["first_stop_at"] - window.start).dt.total_milliseconds().to_list()
    assert drawn["ends"].filter(~pl.col("bars"))["at"].to_list() == hours
    assert drawn["before"].height + drawn["after"].height == drawn["ends"].height
    assert drawn["before"]["at"].min() is None or drawn["before"]["at"].min() > drawn["after"]["at"].max()


def test_a_plan_changes_the_rows_of_a_chart_and_not_its_form(review):
    window = tonight_charts.window_of(review)
    assert window is not None
    one, two = review.machines.head(2), review.machines.tail(2)
    for draw in (
        lambda rows: tonight_charts.at_work(rows, review.shop.hours, window, theme.LIGHT),
        lambda rows: tonight_charts.parts(rows, theme.LIGHT),
    ):
        assert {**draw(one), "datasets": None} == {**draw(two), "datasets": None}


def test_what_is_written_into_a_row_is_planned(review):
    plan = tonight_plan.with_changes(BASE, {1: {"bars": 7, "job": BASE["job"][0]}, 0: {"parts_left": None}})
    assert plan.select("bars", "parts_left").rows() == [
        (BASE["bars"][0], None),
        (7, BASE["parts_left"][1]),
    ]
    assert plan["job"].to_list() == [BASE["job"][0]] * 2
    assert plan.drop("bars", "parts_left", "job").equals(BASE.drop("bars", "parts_left", "job"))


def test_ranges_lie_around_the_dots_of_the_figures(review):
    known = review.machines.filter(pl.col("reach").is_not_null())
    rows = tonight_charts.parts(known, theme.LIGHT)["datasets"]["rows"]
    assert rows["machine"].to_list() == known["machine"].to_list()
    assert (rows["low"] <= rows["high"]).all()

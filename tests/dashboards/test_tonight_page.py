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
    spec = tonight_charts.at_work(rows, review.shop.hours, window, theme.LIGHT).to_dict()
    assert len(spec["vconcat"]) == len(names)
    line = review.shop.hours.filter(pl.col("machine") == names[0])["at_work"].to_list()
    assert line[0] == 1.0
    assert all(later <= sooner for sooner, later in pairwise(line))


def test_ranges_lie_around_the_dots_of_the_figures(review):
    known = review.machines.filter(pl.col("reach").is_not_null())
    (rows,) = tonight_charts.parts(known, theme.LIGHT).to_dict()["datasets"].values()
    assert [row["machine"] for row in rows] == known["machine"].to_list()
    assert all(row["low"] <= row["high"] for row in rows)

"""The week as a page: numbers of the figures, choices in the address, notes that stay, charts as data."""

import re
import shutil
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import altair as alt
import polars as pl
import pytest
import theme
import week_charts
import week_tiles
from dashboards.pages import html

from runlog.figures.week import WeekReview, week_review
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told

SITE = Path(__file__).parents[2] / "sample_logs" / "site.toml"


@pytest.fixture(scope="module")
def review(sample_store: Path) -> WeekReview:
    shop = load_site(SITE)
    return week_review(facts_as_told(Store(sample_store), shop), shop, datetime.now(UTC))


def test_it_opens_with_what_was_made_of_the_plan(opened, review, sample_store):
    page = opened(sample_store, SITE, "week")
    row = review.plant.row(0, named=True)
    assert f"{row['parts']} of {row['planned_parts']:.0f} planned parts made" in html(page)
    assert f"Week {review.period.week}" in html(page)
    assert page.selectbox(key="week").value == review.period.week
    assert all(f'<th scope="row">{name}</th>' in html(page) for name in review.machines["machine"])


def test_one_machine_and_another_rank_by_the_address(opened, sample_store):
    page = opened(sample_store, SITE, "week", machine="T03", rank="count")
    assert page.selectbox(key="machine").value == "T03"
    assert page.selectbox(key="rank").value == "count"
    assert '<th scope="row">T03</th>' in html(page)
    assert '<th scope="row">T01</th>' not in html(page)


def test_a_week_that_is_not_there_is_said(opened, sample_store):
    assert "No such week in the log" in html(opened(sample_store, SITE, "week", week="2020-W01"))


def test_a_night_without_any_more_is_a_week_as_well(opened, shop_on_disk):
    page = html(opened(*shop_on_disk, "week"))
    assert "too few whole weeks before it to tell" in page
    assert "None began this week." in page


def test_no_store_is_a_sentence(opened, shop_on_disk, tmp_path):
    assert "Nothing to show yet" in html(opened(tmp_path / "store", shop_on_disk[1], "week"))


@pytest.fixture
def own_shop(tmp_path, shop_on_disk) -> tuple[Path, Path]:
    """A store that a test may write to."""
    shutil.copytree(shop_on_disk[0], tmp_path / "store")
    return tmp_path / "store", shop_on_disk[1]


def test_an_action_stays_until_it_is_closed(opened, own_shop):
    page = opened(*own_shop, "week")
    page.text_input[0].set_value("order a liner of <b>38</b> mm")
    page.text_input[1].set_value("B. Jones")
    page.text_input(key="more who").set_value("A. Miller")
    page.button[0].click().run()
    assert not page.exception
    told = html(page)
    assert "order a liner of &lt;b&gt;38&lt;/b&gt; mm: B. Jones, due" in told
    page.text_input(key="close who").set_value("B. Jones")
    page.text_input[0].set_value("came on Tuesday")
    page.button[0].click().run()
    assert not page.exception
    held = Store(own_shop[0]).held("notes").sort("noted_at")
    kinds = held.select("kind", "who", "owner", "why").collect().rows()
    assert kinds == [("action", "A. Miller", "B. Jones", None), ("done", "B. Jones", "B. Jones", "came on Tuesday")]


def test_a_remark_needs_words_and_a_name(opened, own_shop):
    page = opened(*own_shop, "week")
    page.button[0].click().run()
    assert "Not kept" in html(page)
    assert Store(own_shop[0]).held("notes").collect().is_empty()


# --- charts --------------------------------------------------------------------------------------


def rows_of(spec: dict[str, Any]) -> list[dict[str, Any]]:
    """Of a chart over one frame, which is asked to be valid on the way."""
    ((name, frame),) = spec["datasets"].items()
    alt.LayerChart.from_dict(spec | {"datasets": {name: frame.to_dicts()}})
    return frame.to_dicts()


def test_the_staircase_goes_down_by_what_was_lost(review):
    spec = week_charts.staircase(review.steps, theme.LIGHT)
    rows = rows_of(spec)
    assert [row["kind"] for row in (rows[0], rows[-1])] == ["planned", "made"]
    for above, step in pairwise(rows[:-1]):
        assert step["top"] == pytest.approx(above["bottom"] if above["kind"] != "planned" else above["top"])
    assert rows[-2]["bottom"] == pytest.approx(rows[-1]["top"])


@pytest.mark.parametrize("rank", ["time", "count", "parts"])
def test_losses_are_drawn_worst_first(review, rank):
    spec = week_charts.losses(review.ranked[rank], rank, theme.LIGHT)
    rows = rows_of(spec)
    values = [row[spec["layer"][0]["encoding"]["x"]["field"]] for row in rows]
    assert values == sorted(values, reverse=True)
    assert spec["layer"][0]["encoding"]["x"]["title"].split(";")[0].endswith(("[h]", "stops", "plan"))


SHIFTS = pl.DataFrame(
    {
        "machine": ["T01", "<b>T02</b>", "T01"],
        "shift_date": [date(2026, 11, 2), date(2026, 11, 2), date(2026, 11, 3)],
        "shift": ["late", "late", "night"],
        "parts": [90, 12, 0],
        "planned_parts": [100.0, None, 80.0],
        "plan_attainment": [0.9, None, 0.0],
        "availability": [0.956, None, 0.0],
        "effectiveness": [1.0, 0.987, None],
    }
)
"""Three shifts: T01 makes nine tenths of its plan, then nothing; T02 has no plan, and did not run on Tuesday."""


def test_shifts_are_a_table_of_machines_and_days_with_the_missing_share_as_shade():
    shown = week_tiles.table(week_charts.of_shifts(SHIFTS), "Least: T01, Tue 3 night")
    assert "<caption>Least: T01, Tue 3 night</caption>" in shown
    assert '<th scope="colgroup" colspan="1">Mon 2</th><th scope="colgroup" colspan="1">Tue 3</th>' in shown
    assert '<th scope="col"><span>late</span></th><th scope="col"><span>night</span></th>' in shown
    # One tenth of 20 shades, and all of them.
    assert (
        '<tr><th scope="row">T01</th>'
        '<td class="rl-shade-2" title="90 made, of 100.0 planned; availability 95.6 %; effectiveness 100.0 %">90</td>'
        '<td class="rl-shade-20" title="0 made, of 80.0 planned; availability 0.0 %; effectiveness not measured">0</td>'
        "</tr>"
    ) in shown
    assert (
        '<tr><th scope="row">&lt;b&gt;T02&lt;/b&gt;</th>'
        '<td class="rl-shade-0" title="12 made, no plan; availability not measured; effectiveness 98.7 %">–</td>'
        "<td></td></tr>"
    ) in shown


def test_the_table_of_shifts_and_its_picture_say_the_same(review):
    drawn = week_charts.of_shifts(review.by_shift)
    in_table = re.findall(r"<td class=[^>]*>([^<]*)</td>", week_tiles.table(drawn, ""))
    spec = week_charts.shifts(drawn, theme.LIGHT)
    assert sorted(in_table) == sorted(row["said"] for row in rows_of(spec))
    assert len(in_table) == review.by_shift.height


@pytest.mark.parametrize("look", [theme.LIGHT, theme.DARK])
def test_numbers_are_read_on_the_darkest_shade(look):
    colours = [[int(one[at : at + 2], 16) for at in (1, 3, 5)] for one in (look.stopped, look.paper)]
    over = (theme.DARKEST * above + (1 - theme.DARKEST) * below for above, below in zip(*colours, strict=True))
    assert theme.contrast(look.ink, "#" + "".join(f"{round(one):02X}" for one in over)) >= 4.5
    assert look.stopped == theme.LIGHT.stopped, "the shades are the same on both kinds of paper"
    assert f".rl-shade-{theme.SHADES} {{" in theme.STYLE


def test_the_browser_gets_of_a_shift_what_is_drawn_of_it(review):
    spec = week_charts.shifts(week_charts.of_shifts(review.by_shift), theme.LIGHT)
    row, *_ = rows_of(spec)
    channels = [one for layer in spec["layer"] for one in layer["encoding"].values()]
    drawn = {each["field"] for one in channels for each in (one if isinstance(one, list) else [one])}
    assert set(row) == drawn | {one["sort"]["field"] for one in channels if "sort" in one}


def test_a_week_changes_the_rows_of_a_chart_and_not_its_form(review):
    """So a browser keeps the chart and draws other rows, instead of reading and planning it anew."""
    ranked = review.ranked["time"]
    other = ranked.with_columns(pl.col("seconds") / 2)
    one, two = (week_charts.losses(rows, "time", theme.LIGHT) for rows in (ranked, other))
    assert rows_of(one) != rows_of(two)
    assert one | {"datasets": {}} == two | {"datasets": {}}

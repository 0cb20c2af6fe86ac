"""The page of the long hunt: what is chronic, what it is made of, whether a fix worked; and its charts as data."""

import json
import shutil
from datetime import date, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import health_asks
import health_charts as charts
import health_tables as tables
import picture
import picture_maker
import polars as pl
import pytest
import theme
from dashboards.pages import html, to_take_away
from figures.nights import DAY, SHIFTS, SITE, facts, night
from streamlit.testing.v1 import AppTest

from dashboards import nights
from runlog.figures import fault_health as by_cause
from runlog.figures.fault_pattern import fitted
from runlog.figures.fixes import fix_checks
from runlog.figures.group_members import reloads_of
from runlog.figures.reload_durations import reload_durations
from runlog.figures.reload_health import reload_health
from runlog.figures.reload_pattern import reload_pattern
from runlog.notes import fix_note, in_force
from runlog.schema import DERIVED_TABLES
from runlog.site import parse_site
from runlog.store import Store

PAGE = str(Path(__file__).parents[2] / "dashboards" / "reload_health.py")
SHOP = parse_site(SITE + SHIFTS)
LINER = "<b>A</b>"
"""Words with markup in them: they must arrive as they are."""


def hunted() -> dict[str, pl.LazyFrame]:
    """T01: one of ten reloads fails in each of 12 nights, in liner A; T02 fails once in 120, in liner B."""
    return dict(
        facts(
            *(night("T01", day, reloads="c" * 8 + "sr", stops="m", liner=LINER, bar_position=1) for day in range(12)),
            *(night("T02", day, reloads="c" * 9 + ("f" if day == 3 else "u" if day == 4 else "c"), liner="B")
              for day in range(12)),
        )
    )  # fmt: skip


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Those nights in a store."""
    store, site = nights.stored(tmp_path_factory.mktemp("hunt"), more=())
    filled(store, site, hunted())
    return store, site


def filled(store: Path, site: Path, frames: dict[str, pl.LazyFrame]) -> None:
    """Put facts in the place of all that there are."""
    site.write_text(SITE + SHIFTS)
    Store(store).replace_facts({name: table.empty() for name, table in DERIVED_TABLES.items()} | frames)


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch):
    """Open the page over a store and a site file, with an address."""

    def run(store: Path, site: Path, **address: str) -> AppTest:
        monkeypatch.setenv("RUNLOG_STORE", str(store))
        monkeypatch.setenv("RUNLOG_SITE", str(site))
        page = AppTest.from_file(PAGE, default_timeout=60)
        for name, value in address.items():
            page.query_params[name.rstrip("_")] = value
        page.run()
        assert not page.exception
        return page

    return run


def asked(page: AppTest, name: str) -> str:
    value = page.query_params[name]
    return value if isinstance(value, str) else value[-1]


def specs(page: AppTest) -> list[dict[str, Any]]:
    """Specifications of the charts on the page."""
    return [json.loads(one.proto.spec) for one in page.get("vega_lite_chart")]


# --- the page ------------------------------------------------------------------------------------


def test_the_page_opens_with_what_is_chronic(opened, shop):
    page = html(opened(*shop))
    assert "Chronic reload faults: liner &lt;b&gt;A&lt;/b&gt;" in page
    # 12 of 120; T02 1 of 119. T01 always runs in liner A: which of the two it is, the data do not say.
    assert "10.0 per 100 reloads; all others 0.8; not to be told apart from" in page
    assert "machine T01" in page
    assert "13 faults in 239 reloads" in page
    assert "<b>A</b>" not in page


def test_rates_are_those_of_the_figures(opened, shop):
    page = opened(*shop)
    shown = page.dataframe[0].value
    figures = reload_health(Store(shop[0]).facts(), SHOP).groups.filter(dimension="machine")
    for name in ("group", "verdict", "faults", "reloads"):
        assert shown[name].tolist() == figures[name].to_list()
    assert shown["per 100"].tolist() == figures["rate"].round(1).to_list() == [10.0, 0.8]
    assert shown["all others"].tolist() == figures["rest_rate"].round(1).to_list()


def test_a_group_in_the_address_shows_its_reloads(opened, shop):
    page = opened(*shop, by="machine", group="T01")
    figures = reloads_of(Store(shop[0]).facts(), SHOP, "machine", "T01")
    shown = page.dataframe[0].value
    assert shown["outcome"].tolist() == figures["outcome"].to_list()
    assert len(shown) == 120
    # The newest retried one began at 23:30 on the night of 13 March.
    assert shown["its night"][0] == "./?night=2026-03-13&machine=T01"
    assert "Reloads of machine T01" in html(page)
    assert 'href="./?night=2026-03-13&amp;machine=T01"' in html(page)
    page.button(key="all groups").click().run()
    assert not page.exception
    assert "group" not in page.query_params
    assert page.dataframe[0].value["group"].tolist() == ["T01", "T02"]


def test_everything_chosen_is_in_the_address(opened, shop):
    page = opened(*shop)
    page.selectbox(key="by").select("liner").run()
    page.selectbox(key="group").select(LINER).run()
    page.selectbox(key="machine").select("T01").run()
    page.date_input(key="from").set_value(date(2026, 3, 4)).run()
    assert not page.exception
    told = {name: asked(page, name) for name in ("by", "group", "machine", "from")}
    assert told == {"by": "liner", "group": LINER, "machine": "T01", "from": "2026-03-04"}
    # Nights 2 to 11.
    assert len(page.dataframe[0].value) == 100
    page.selectbox(key="by").select("machine").run()
    assert "group" not in page.query_params
    assert "nothing of the name" not in html(page)


def test_what_other_parts_start_from_is_asked_while_people_look_at_the_first(opened, own_shop, monkeypatch):
    filled(*own_shop, hunted())
    asked = []
    for home, name in ((health_asks, "reload_pattern"), (health_asks, "reload_durations"), (by_cause, "ran_in")):
        asked.append(Mock(wraps=getattr(home, name)))
        monkeypatch.setattr(home, name, asked[-1])
    opened(*own_shop)
    assert [one.call_count for one in asked] == [1, 1, 1]
    for address in ({"part": "over-time"}, {"part": "reload-times"}, {"cause": "misfeed"}, {"machine": "T01"}):
        opened(*own_shop, **address)
    assert [one.call_count for one in asked] == [1, 1, 1]


def test_a_cause_of_stops_is_counted_against_hours(opened, shop):
    page = opened(*shop, cause="misfeed", group="T01")
    # One in each of 12 nights of 8 h.
    assert "Chronic misfeed stops: " in html(page)
    assert "12.5 per 100 h run; all others 0.0; not to be told apart from" in html(page)
    assert page.dataframe[0].value["cause"].tolist() == ["misfeed"] * 12


@pytest.mark.parametrize(
    "address",
    [
        {"cause": "<i>", "by": "colour", "machine": "T99", "group": "x", "part": "none", "from_": "soon"},
        {"from_": "2026-03-05", "to": "2026-03-01"},
        {"to": "2020-01-01", "part": "over-time"},
        {"to": "2020-01-01", "part": "reload-times"},
        {"cause": "misfeed", "by": "bar position", "part": "over-time"},
        {"machine": "T02", "cause": "misfeed", "part": "over-time"},
        {"part": "reload-times", "series": "T09, none"},
    ],
)
def test_an_odd_address_is_a_sensible_page(opened, shop, address):
    page = html(opened(*shop, **address))
    assert "Reload health" in page
    assert "<i>" not in page


def test_when_they_came(opened, shop):
    page = opened(*shop, part="over-time", machine="T01")
    told = reload_pattern(Store(shop[0]).facts())
    (verdict,) = told.trends.filter(scope="T01", clock="reloads")["verdict"]
    assert f"Against reloads: {verdict}" in html(page)
    assert page.dataframe[-1].value["shifts with a fault"].tolist() == [12, 12]
    assert len(specs(page)) == 2


def test_reload_times(opened, shop):
    page = opened(*shop, part="reload-times", series="T02, pin")
    assert "chance explains what was seen" in html(page)
    assert page.selectbox(key="series").value == "T02, pin"
    series = reload_durations(Store(shop[0]).facts()).series
    assert page.dataframe[0].value["median [s]"].tolist() == series["median_s"].to_list() == [40, 40]


def test_no_alarm_is_said(opened, shop):
    assert "No alarm came up in this time" in html(opened(*shop, part="alarms"))


def test_alarms_of_the_small_shop(opened, shop_on_disk):
    page = opened(*shop_on_disk, part="alarms")
    shown = page.dataframe[0].value
    assert shown["alarm"].tolist() == [nights.ALARM]
    assert (shown["alarms"][0], shown["came first"][0], shown["as a consequence"][0]) == (1, 1, 0)


def test_tables_can_be_taken_away(opened, shop):
    page = opened(*shop, group="T01")
    assert to_take_away(page, "CSV", "Parquet") == ["Reloads as CSV", "Reloads as Parquet"]
    assert "Rates as CSV" in to_take_away(opened(*shop), "CSV")


DRAWN = {
    "rates": ["Rates"],
    "over-time": ["Faults against reloads", "Faults against hours"],
    "reload-times": ["Reload times", "EWMA", "CUSUM"],
}


@pytest.mark.parametrize("part", DRAWN)
def test_charts_of_every_part_can_be_taken_away(opened, shop, taken, part: str):
    page = opened(*shop, part=part)
    titles = DRAWN[part]
    assert to_take_away(page, "SVG", "PNG") == [f"{title} as {kind}" for title in titles for kind in ("SVG", "PNG")]
    assert len(page.get("vega_lite_chart")) == len(taken) == len(titles)
    for spec, _ in taken:
        assert picture_maker.made(picture.by_itself(spec, theme.DARK), "SVG").startswith(b"<svg")


# --- what people write ---------------------------------------------------------------------------


@pytest.fixture
def own_shop(shop, tmp_path: Path) -> tuple[Path, Path]:
    """A copy to write into."""
    return shutil.copytree(shop[0], tmp_path / "store"), shop[1]


def written(page: AppTest, who: str, text: str = "new <b>liner</b>") -> AppTest:
    page.date_input[-1].set_value(date(2026, 3, 7))
    next(one for one in page.text_input if one.label == "What was done").set_value(text)
    next(one for one in page.text_input if one.label == "Your name").set_value(who)
    next(one for one in page.button if one.label == "Note it").click().run()
    assert not page.exception
    return page


def test_a_fix_is_noted_judged_and_taken_back(opened, own_shop):
    page = opened(*own_shop, part="fixes")
    assert "No fix is noted yet" in html(page)
    written(page, "A. Miller")
    (held,) = in_force(Store(own_shop[0]).held("notes")).iter_rows(named=True)
    assert (held["machine"], held["text"], held["who"], held["cause"]) == ("T01", "new <b>liner</b>", "A. Miller", None)
    store = Store(own_shop[0])
    (check,) = fix_checks(store.facts(), SHOP, in_force(store.held("notes"))).iter_rows(named=True)
    # Five nights of ten reloads before the day of the fix, six after.
    assert (check["chances_before"], check["chances_after"]) == (50, 60)
    assert check["sentence"] in html(page)
    assert f"Last fix: {check['verdict']}" in html(page)
    assert "Noted: T01, new &lt;b&gt;liner&lt;/b&gt;." in html(page)
    assert next(one for one in page.text_input if one.label == "What was done").value == ""
    assert "T01 is looked at since its fix only" in html(page)
    assert page.dataframe[0].value["times the rate"].tolist() == [round(check["ratio"], 2)]
    assert to_take_away(page, "SVG", "PNG") == ["Fixes as SVG", "Fixes as PNG"]
    next(one for one in page.button if one.label == "Take it back").click().run()
    assert not page.exception
    assert in_force(Store(own_shop[0]).held("notes")).is_empty()
    assert Store(own_shop[0]).held("notes").collect()["who"].to_list() == ["A. Miller", "A. Miller"]
    assert "No fix is noted yet" in html(page)


@pytest.mark.parametrize(("who", "text"), [("", "new liner"), ("A. Miller", " ")])
def test_nobody_and_nothing_is_not_noted(opened, own_shop, who, text):
    page = written(opened(*own_shop, part="fixes"), who, text)
    assert "Not kept" in html(page)
    assert Store(own_shop[0]).held("notes").collect().is_empty()


def test_who_may_not_write_sees_no_form(opened, shop, monkeypatch):
    monkeypatch.setattr("words.may_write", lambda here: False)
    page = opened(*shop, part="fixes")
    assert "No fix is noted yet" in html(page)
    assert not [one for one in page.button if one.label == "Note it"]


# --- shops with little in them -------------------------------------------------------------------


@pytest.mark.parametrize("part", ["", "over-time", "reload-times"])
def test_one_night_is_a_sensible_page(opened, shop_on_disk, part):
    assert "Reload health" in html(opened(*shop_on_disk, part=part))


def test_no_store_and_no_site_file_are_sentences(opened, shop, tmp_path):
    assert "runlog ingest" in html(opened(tmp_path / "store", shop[1]))
    assert "no site file found" in html(opened(shop[0], tmp_path / "site.toml"))


@pytest.fixture(scope="module")
def empty_shop(shop: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A store in which nothing is known."""
    folder = tmp_path_factory.mktemp("empty")
    own = shutil.copytree(shop[0], folder / "store"), folder / "site.toml"
    filled(*own, {})
    return own


@pytest.mark.parametrize("part", ["", "over-time", "reload-times", "fixes", "alarms"])
def test_a_store_without_facts_is_a_sentence(opened, empty_shop, part):
    page = html(opened(*empty_shop, part=part))
    assert "No reload that counts in a rate began in this time" in page


def test_one_machine_without_a_reload(opened, own_shop):
    filled(*own_shop, dict(facts(night("T01", 0, stops="m"))))
    assert "No reload that counts in a rate began" in html(opened(*own_shop))
    assert "misfeed stops" in html(opened(*own_shop, cause="misfeed"))


# --- charts --------------------------------------------------------------------------------------

LOOKS = [pytest.param(theme.LIGHT, id="light"), pytest.param(theme.DARK, id="dark")]


@pytest.fixture(scope="module")
def groups() -> pl.DataFrame:
    return reload_health(hunted(), SHOP).groups.filter(dimension="machine").rename({"reloads": "chances"})


def drawn(spec: dict[str, Any], layer: dict[str, Any]) -> list[dict[str, Any]]:
    return spec["datasets"][layer["data"]["name"]]


def layers(spec: dict[str, Any], mark: str) -> list[dict[str, Any]]:
    return [one for one in spec["layer"] if one["mark"]["type"] == mark]


@pytest.mark.parametrize("look", LOOKS)
def test_rates_are_drawn_by_verdict_with_their_limits(groups, look):
    spec = charts.rates(groups, "T01", "per 100 reloads", look).to_dict()
    points = drawn(spec, layers(spec, "text")[0])
    assert [(one["group"], one["words"]) for one in points] == [
        ("T01", "chronic: 12 of 120"),
        ("T02", "within chance: 1 of 119"),
    ]
    assert [one["rate"] for one in points] == groups["rate"].to_list()
    assert all(one["low"] <= one["rate"] <= one["high"] for one in points)
    goal, whisker = layers(spec, "rule")
    assert whisker["encoding"]["x"]["title"] == "faults per 100 reloads"
    (chosen,) = layers(spec, "rect")
    assert [one["group"] for one in drawn(spec, chosen)] == ["T01"]
    assert [one["goal"] for one in drawn(spec, goal)] == [1.0]
    assert spec["params"][0]["name"] == charts.CHOSEN


def test_verdicts_that_call_differ_in_shape_from_each_other_and_from_the_rest():
    called = [charts.VERDICT_SHAPES[verdict] for verdict in charts.CALLED]
    rest = {shape for verdict, shape in charts.VERDICT_SHAPES.items() if verdict not in charts.CALLED}
    assert len(set(called)) == len(called)
    assert not rest & set(called)


def test_all_marks_are_on_the_axis_and_whiskers_may_leave_it(groups):
    few = groups.tail(1).with_columns(group=pl.lit("T03"), verdict=pl.lit("too few to tell"), rate=30.0, high=95.0)
    spec = charts.rates(pl.concat([groups, few]), None, "per 100 reloads", theme.LIGHT).to_dict()
    points = drawn(spec, layers(spec, "text")[0])
    full = points[0]["full"]
    assert 30 < full < 95
    assert [one["further"] for one in points] == [False, False, True]
    ticks = layers(spec, "rule")[1]["encoding"]["x"]["axis"]["values"]
    assert ticks == [0, 10, 20, 30]


def test_too_many_groups_are_drawn_as_far_as_they_can_be_read(groups):
    many = pl.concat([groups.head(1).with_columns(group=pl.lit(f"T{number:03}")) for number in range(60)])
    spec = charts.rates(many, "T055", "per 100 reloads", theme.LIGHT).to_dict()
    assert len(drawn(spec, layers(spec, "text")[0])) == charts.ROWS


def test_what_the_chart_shows_is_said():
    rows = reload_health(hunted(), SHOP).groups.filter(dimension="machine")
    said = charts.rates_said(rows, "machine", "per 100 reloads")
    assert said.startswith("Faults per 100 reloads by machine, the clearest first: T01 10.0 (")
    assert "chronic; T02 0.8 (" in said


def test_faults_are_counted_up_to_their_number():
    told = reload_pattern(hunted())
    line = fitted(told.trends).filter(scope="T01", clock="reloads")
    spec = charts.cumulative(told.points.filter(scope="T01"), line, "reloads", theme.LIGHT)
    steps, law = (spec["datasets"][one["data"]["name"]].to_dicts() for one in spec["layer"][:2])
    assert [(one["x"], one["count"]) for one in steps[:2]] == [(10, 1), (20, 2)]
    assert steps[-1]["count"] == law[-1]["count"] == 12
    assert spec["layer"][0]["encoding"]["x"]["title"] == "reloads"


def test_long_lines_are_thinned_and_keep_their_end():
    first = {"scope": "T01", "machine": "T01", "at": DAY, "reloads": 1, "first_of_shift": True}
    rows = [first | {"faults": number, "hours": float(number)} for number in range(1, 2002)]
    spec = charts.cumulative(pl.DataFrame(rows), pl.DataFrame(schema={"at": pl.Float64, "law": pl.Float64,
                             "even": pl.Float64}), "hours", theme.LIGHT)  # fmt: skip
    steps = spec["datasets"]["counted"].to_dicts()
    assert len(steps) <= charts.POINTS + 1
    assert steps[-1]["count"] == 2001


def test_the_strip_marks_faults_one_by_one_and_clean_ones_by_day():
    rows = reloads_of(hunted(), SHOP, "machine", "T02")
    spec = charts.strip(rows, (date(2026, 3, 2), date(2026, 3, 14)), "UTC", theme.LIGHT).to_dict()
    marks, days = (drawn(spec, layer) for layer in spec["layer"])
    # The tenth reloads of nights 3 and 4, at 23:30.
    assert [(one["outcome"], one["at"]) for one in marks] == [
        ("unclear", "2026-03-06T23:30:00"),
        ("failed", "2026-03-05T23:30:00"),
    ]
    assert [one["clean"] for one in days] == [10, 10, 10, 9, 9, *[10] * 7]
    assert spec["layer"][0]["encoding"]["y"]["sort"] == ["failed", "unclear", charts.CLEAN]


def test_reload_times_stand_beside_the_plan():
    told = reload_durations(hunted())
    series = told.series.filter(machine="T01").row(0, named=True)
    points = told.points.filter(machine="T01", job="pin")
    spec = charts.durations(points, series, theme.LIGHT).to_dict()
    shares = drawn(spec, layers(spec, "point")[0])
    assert [one["share"] for one in shares] == [100.0] * 12
    assert layers(spec, "point")[0]["encoding"]["y"]["title"] == "median of a shift [% of planned time]"
    assert charts.ewma(points, theme.LIGHT).to_dict()["layer"][0]["encoding"]["y"]["title"] == "EWMA [spreads]"
    assert len(charts.cusum(points, theme.LIGHT).to_dict()["layer"]) == 4


def test_a_step_is_drawn_with_its_levels():
    points = pl.DataFrame(
        [
            {"shift_date": date(2026, 3, 2) + timedelta(days=day), "shift": "night", "reloads": 5}
            | {"median_s": 40.0, "planned_s": 40.0, "against_plan": 1.0 if day < 6 else 1.5}
            for day in range(12)
        ]
    )
    series = {"verdict": "step", "since": date(2026, 3, 8), "before": 1.0, "after": 1.5}
    spec = charts.durations(points, series, theme.LIGHT).to_dict()
    levels = drawn(spec, layers(spec, "rule")[-1])
    assert [(one["number"], one["to"], one["said"]) for one in levels] == [(1, 7, "100 %"), (7, 12, "150 %")]


def test_ratios_of_fixes_end_where_the_axis_does():
    fixes = in_force(fix_note("T02", date(2026, 3, 7), "new pusher", SHOP, who="A").lazy())
    checks = fix_checks(hunted(), SHOP, fixes)
    spec = charts.fixes(checks, "UTC", theme.LIGHT).to_dict()
    (row,) = drawn(spec, layers(spec, "text")[0])
    assert (row["name"], row["ratio"]) == ("T02 2026-03-07: new pusher", checks["ratio"][0])
    assert row["ratio_high"] > row["to"] == 3
    whisker = next(one for one in layers(spec, "rule") if "x2" in one["encoding"])
    assert whisker["encoding"]["x"]["title"] == "rate after over rate before"


@pytest.mark.parametrize(("name", "coded"), [("T 1&x=2", "T+1%26x%3D2"), ("ü", "%C3%BC")])
def test_a_machine_cannot_break_out_of_an_address(name, coded):
    rows = pl.DataFrame({"machine": [name, name], "night": [date(2026, 3, 2), None]})
    assert rows.select(tables.night_link()).to_series().to_list() == [f"./?night=2026-03-02&machine={coded}", None]
    assert tables.night_address("2026-03-02", name) == f"./?night=2026-03-02&machine={coded}"


@pytest.mark.parametrize("look", LOOKS)
def test_marks_of_verdicts_stand_out(look):
    assert theme.contrast(look.ink, look.paper) >= 3
    assert theme.contrast(look.stopped, look.paper) >= 3
    assert theme.contrast(look.ink, look.reloading) >= 3 or theme.contrast(look.reloading, look.paper) >= 3

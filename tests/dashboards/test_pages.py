"""The page as a person meets it: a night, an empty store, no site file, a night that is not there."""

from datetime import date, timedelta
from html import escape
from typing import Any

import pieces
import polars as pl
import pytest
import theme
from dashboards.pages import html, to_take_away
from streamlit.testing.v1 import AppTest

from dashboards import nights
from runlog.figures.cautions import CAUTIONS
from runlog.store import Store


def asked(page: AppTest, name: str) -> str:
    """What the address of the page says; versions of the test driver differ in how they give it."""
    value = page.query_params[name]
    return value if isinstance(value, str) else value[-1]


def test_the_page_opens_with_the_machine_to_walk_to(opened, shop_on_disk):
    page = html(opened(*shop_on_disk))
    assert "Walk to T01 first" in page
    assert "stopped at 23:33: misfeed" in page
    assert "Night of Monday 23 November 2026" in page
    assert "22:00 to 06:00, Europe/Berlin (CET)" in page
    assert "71<small>of 288</small><small>bars bind</small>" in page


def test_words_of_a_log_are_never_markup(opened, shop_on_disk):
    page = html(opened(*shop_on_disk))
    assert "<b>bar</b>" not in page
    assert "&lt;b&gt;bar&lt;/b&gt; not picked *up*" in page


TABLES = ("Machines", "Stops", "Bar changes", "Where time went", "What each did when", "Parts over the clock")


@pytest.mark.parametrize("table", TABLES)
def test_every_table_can_be_taken_away(opened, shop_on_disk, table: str):
    page = opened(*shop_on_disk)
    page.query_params["table"] = table
    page.run()
    assert not page.exception
    assert to_take_away(page, "CSV", "Parquet") == [f"{table} as {kind}" for kind in ("CSV", "Parquet")]


def test_the_table_of_machines_tells_bar_changes_and_remnants_of_each(opened, shop_on_disk):
    told = opened(*shop_on_disk).dataframe[0].value.set_index("machine")
    assert told.loc["T01", "bar changes"] == "2 clean, 1 failed"
    assert told.loc["T01", "remnants planned [mm]"] > 0
    assert told.loc["T03", "bar changes"] == "none"


def test_every_stop_of_the_night_is_in_a_box_that_opens_and_closes_it(opened, shop_on_disk):
    page = opened(*shop_on_disk)
    assert page.selectbox(key="stop").value == ""
    page.selectbox(key="stop").select("T01 2026-11-23T22:33:22Z").run()
    assert not page.exception
    assert "T01 stopped: misfeed" in html(page)
    assert "T01 23:33 misfeed" in page.selectbox(key="stop").options
    page.selectbox(key="stop").select("").run()
    assert "T01 stopped: misfeed" not in html(page)
    assert "stop" not in page.query_params


def test_a_stop_that_is_not_there_is_said(opened, shop_on_disk):
    assert "No such stop in this night." in html(opened(*shop_on_disk, stop="<b>T01"))


def test_closing_a_stop_leaves_nothing_of_it_in_the_address(opened, shop_on_disk):
    page = opened(*shop_on_disk, stop="T01 2026-11-23T22:33:22Z", earlier="yes")
    page.button(key="close").click().run()
    assert not {"stop", "earlier"} & set(page.query_params)


def test_the_log_around_a_stop_is_read_from_right_before_it_or_from_earlier(opened, shop_on_disk):
    page = opened(*shop_on_disk, stop="T01 2026-11-23T22:33:22Z")
    toggle = page.toggle(key="earlier")
    assert toggle.label.startswith("From 23:23:"), "ten minutes before 23:33:22 comes the next event"
    assert page.dataframe[0].value["after its start [s]"].lt(0).sum() == 5
    toggle.set_value(True).run()
    assert not page.exception
    assert page.dataframe[0].value["after its start [s]"].lt(0).sum() > 5


def test_one_machine_chosen_by_the_address(opened, shop_on_disk):
    page = opened(*shop_on_disk, night="2026-11-23", machine="T02")
    assert page.selectbox(key="machine").value == "T02"
    assert "T02 in detail" in html(page)
    assert page.dataframe[0].value["machine"].tolist() == ["T02"]


def test_choosing_a_machine_changes_the_address(opened, shop_on_disk):
    page = opened(*shop_on_disk)
    assert page.selectbox(key="machine").value == "All machines"
    page.selectbox(key="machine").select("T03").run()
    assert not page.exception
    assert asked(page, "machine") == "T03"
    # Mailed, it has to open the same night tomorrow.
    assert asked(page, "night") == "2026-11-23"
    assert "nothing in the log" in html(page)
    page.selectbox(key="machine").select("All machines").run()
    assert "machine" not in page.query_params


@pytest.mark.parametrize("night", ["2020-01-01", "last tuesday", "<b>"])
def test_a_night_that_is_not_there_is_said_and_the_last_one_shown(opened, shop_on_disk, night):
    page = html(opened(*shop_on_disk, night=night))
    assert "No such night in the log" in page
    assert "Walk to T01 first" in page


def test_an_unknown_machine_is_said(opened, shop_on_disk):
    assert "No machine of that name" in html(opened(*shop_on_disk, machine="<i>"))


def test_no_store_yet_is_a_sentence_that_says_what_to_do(opened, shop_on_disk, tmp_path):
    page = html(opened(tmp_path / "store", shop_on_disk[1]))
    assert "Nothing to show yet" in page
    assert "runlog ingest" in page


def test_no_site_file_is_a_sentence(opened, shop_on_disk, tmp_path):
    assert "no site file found" in html(opened(shop_on_disk[0], tmp_path / "site.toml"))


def test_a_site_file_with_mistakes_lists_them(opened, shop_on_disk, tmp_path):
    (tmp_path / "site.toml").write_text("[site]\nname = 3\n")
    assert "site.name" in html(opened(shop_on_disk[0], tmp_path / "site.toml"))


def test_a_store_without_facts_is_a_sentence(opened, tmp_path):
    store, site = nights.stored(tmp_path)
    Store(store).replace_facts({name: frame.clear() for name, frame in Store(store).facts().items()})
    assert "read logs first" in html(opened(store, site))


def test_one_machine_alone(opened, tmp_path):
    page = html(opened(*nights.stored(tmp_path, nights.logs()[:1], more=())))
    assert "1 of 1 standing now" in page


def test_a_night_before_is_one_click_away(opened, tmp_path):
    first = nights.logs(nights.TEN_AT_NIGHT - timedelta(days=3), nights.LOG_END - timedelta(days=3))
    later = nights.logs()
    both = [nights.Log(log.machine, nights.TEN_AT_NIGHT) for log in first]
    for log, one, two in zip(both, first, later, strict=True):
        log.rows = one.rows + two.rows
    page = opened(*nights.stored(tmp_path, both))
    assert page.selectbox(key="night").value.isoformat() == "2026-11-23"
    page.button(key="before").click().run()
    assert not page.exception
    assert asked(page, "night") == "2026-11-20"
    assert "T01 lost most" in html(page)
    assert page.button(key="before").disabled
    page.button(key="after").click().run()
    assert "Walk to T01 first" in html(page)
    # A stop goes with its night, whichever way another is chosen.
    page.query_params["stop"] = "T01 2026-11-23T22:33:22Z"
    page.run()
    assert "T01 stopped: " in html(page)
    page.selectbox(key="night").select(date(2026, 11, 20)).run()
    assert "No such stop" not in html(page)
    assert "stop" not in page.query_params


def test_cautions_close_the_page(opened, shop_on_disk):
    page = html(opened(*shop_on_disk))
    assert all(theme.markup("{one}", one=caution) in page for caution in CAUTIONS)


def test_values_in_markup_are_escaped_once():
    inner = theme.markup("<i>{name}</i>", name="a & b")
    assert theme.markup("<p>{inner}{more}</p>", inner=inner, more="<br>") == "<p><i>a &amp; b</i>&lt;br&gt;</p>"


@pytest.mark.parametrize(("value", "shown"), [(None, "–"), (-0.04, "0.0"), (-0.06, "-0.1"), (4.62, "4.6")])
def test_numbers_are_rounded_without_a_minus_zero(value, shown):
    assert pieces._number(value, 1) == shown


def test_a_long_list_shows_the_worst_and_the_rest_when_asked(opened, tmp_path):
    more = tuple(f"T{number:02}" for number in range(2, 16))
    page = opened(*nights.stored(tmp_path, more=more))
    assert html(page).count('class="rl-row') == 12
    page.toggle(key="all").set_value(True).run()
    assert not page.exception
    assert html(page).count('class="rl-row') == 15
    assert asked(page, "all") == "yes"
    assert html(opened(tmp_path / "store", tmp_path / "site.toml", all="yes")).count('class="rl-row') == 15
    page.toggle(key="all").set_value(False).run()
    assert html(page).count('class="rl-row') == 12
    assert "all" not in page.query_params


def test_links_to_a_stop_keep_what_is_chosen_beside_the_night(opened, shop_on_disk):
    page = opened(*shop_on_disk, machine="T01", all="yes")
    stop = "?night=2026-11-23&machine=T01&all=yes&stop=T01+2026-11-23T22:33:22Z"
    assert escape(stop.replace(":", "%3A")) in html(page)
    assert stop in links_of(drawing_of(page))


def drawing_of(page: AppTest) -> Any:
    """The drawing of the night as it is sent to the browser."""
    return page.get("vega_lite_chart")[0].proto


def links_of(drawing: Any) -> list[str]:
    """Where its spans lead."""
    (spans,) = [one.data.data for one in drawing.datasets if one.name == "spans"]
    return pl.read_ipc_stream(spans)["href"].drop_nulls().to_list()


def test_the_finding_of_the_night_is_read_aloud(opened, shop_on_disk):
    assert "T01: stopped at 23:33: misfeed" in drawing_of(opened(*shop_on_disk)).alt


def test_an_open_tab_is_in_the_address_and_an_unknown_one_the_first(opened, shop_on_disk):
    assert to_take_away(opened(*shop_on_disk, table="Stops"), "CSV") == ["Stops as CSV"]
    assert to_take_away(opened(*shop_on_disk, table="<b>"), "CSV") == ["Machines as CSV"]


def test_a_part_of_a_page_says_what_is_wrong_instead_of_failing():
    def script() -> None:
        import sheet

        from runlog.errors import RunlogError

        @sheet.part
        def broken(name: str) -> None:
            raise RunlogError(f"{name}: a mistake found")

        broken("site.toml")

    page = AppTest.from_function(script).run()
    assert not page.exception
    assert "site.toml: a mistake found" in html(page)

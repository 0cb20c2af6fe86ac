"""Every page in a real browser: what people see, click, type, take away and print."""

import os
import re
import shutil
import struct
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import polars as pl
import pytest
import theme
from browser.conftest import ROOT, SITE, served
from browser.looking import PAGES, WAIT_MS, Seen

from runlog.figures.night import night_review
from runlog.figures.week import week_review
from runlog.site import load_site
from runlog.store import Store
from runlog.told import facts_as_told

pytestmark = pytest.mark.slow

SIZES = ((1280, 800), (820, 1180))
NO_PICTURES = """
import sys
sys.path.insert(0, {folder!r})
import drawing, picture, streamlit, theme
picture.WAIT_S = 0.001
streamlit.html(theme.STYLE)
drawing.shown({{"data": {{"values": [{{"a": 1}}]}}, "mark": "bar", "height": 60}}, "Bars", "bars", key="bars")
"""
"""A dashboard that takes too long for its pictures."""
TURNED = """
import sys
sys.path.insert(0, {folder!r})
import altair, drawing, polars, streamlit, theme
names = ["worst", "second", "third"][:: -1 if streamlit.toggle("Turned") else 1]
y = altair.Y("name:N", sort=drawing.AS_ROWS)
form = drawing.specification(altair.Chart(drawing.ROWS).mark_bar().encode(x="n:Q", y=y))
streamlit.vega_lite_chart(drawing.over(polars.DataFrame({{"name": names, "n": [3, 2, 1]}}), form), key="bars")
"""
"""A chart whose rows change places."""


@pytest.fixture(scope="module")
def store(sample_store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample logs' store, to be written to."""
    return shutil.copytree(sample_store, tmp_path_factory.mktemp("pages") / "store")


@pytest.fixture(scope="module")
def address(store: Path) -> Iterator[str]:
    with served(store, SITE) as url:
        yield url


@pytest.fixture
def seen(browser: Any, address: str) -> Iterator[Seen]:
    context = browser.new_context(viewport={"width": 1280, "height": 800}, accept_downloads=True)
    looked = Seen(context.new_page(), address)
    yield looked
    context.close()
    assert looked.wrong == []


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize("path", PAGES, ids=lambda path: path or "last night")
def test_every_page_is_drawn_and_fits_its_width(seen: Seen, path: str, size: tuple[int, int]):
    seen.page.set_viewport_size({"width": size[0], "height": size[1]})
    page = seen.go(path)
    assert page.query_selector(".rl-lead")
    assert "runlog reads logs" in seen.text()
    wide = page.evaluate("() => document.querySelector('[data-testid=\"stMain\"]').scrollWidth")
    assert wide <= size[0]


def test_key_numbers_are_those_of_the_figures(seen: Seen, store: Path):
    site = load_site(SITE)
    facts = facts_as_told(Store(store), site)
    night = night_review(facts, site)
    seen.go("")
    for row in night.machines.iter_rows(named=True):
        assert f"{row['machine']}\nno. {row['rank']}" in seen.text()
        assert f"{row['parts']}\nof {int(row['planned_parts'])}" in seen.text()
    week = week_review(facts, site, datetime.now(UTC)).plant.row(0, named=True)
    seen.go("week")
    assert f"{week['parts']} of {week['planned_parts']:.0f} planned parts made" in seen.text()


def test_a_stop_is_clicked_named_and_the_name_taken_back(seen: Seen, store: Path):
    page = seen.go("")
    page.click(".rl-what a >> nth=0")
    page.wait_for_url(re.compile("stop="), timeout=WAIT_MS)
    page.wait_for_function("() => document.body.innerText.includes('The log around it')", timeout=WAIT_MS)
    seen.drawn()
    page.get_by_label("Its cause").click()
    page.keyboard.type("swarf nest")
    page.keyboard.press("Enter")
    page.get_by_label("Who says so").fill("A. Miller")
    page.get_by_label("Why").fill("seen <b>there</b>")
    page.get_by_role("button", name="Name its cause").click()
    page.wait_for_function("() => document.body.innerText.includes('swarf nest, says A. Miller')", timeout=WAIT_MS)
    seen.drawn()
    assert "seen <b>there</b>" in seen.text()
    assert re.search(r"named by\s+A. Miller", seen.text())
    assert "stopped: swarf nest" in seen.text()
    # Once more says the same once.
    page.get_by_role("button", name="Name its cause").click()
    seen.drawn()
    page.get_by_role("button", name="Take the name back").click()
    page.wait_for_function("() => document.body.innerText.includes('Taken back by')", timeout=WAIT_MS)
    kinds = Store(store).held("notes").sort("noted_at").select("kind").collect()["kind"].to_list()
    assert kinds == ["cause", "withdrawal"]


def open_page_stays(seen: Seen, click: Any) -> None:
    """A click leads to a stop without the page being loaded; "back" leads away from it again."""
    page = seen.page
    page.evaluate("window.stays = true")
    was = page.url
    click()
    page.wait_for_url(re.compile("stop="), timeout=WAIT_MS)
    page.get_by_role("button", name="Close this stop").wait_for(timeout=WAIT_MS)
    seen.drawn()
    assert page.evaluate("window.stays")
    assert scrolled(page) == 0
    assert page.title() == "Last night: runlog"
    page.go_back()
    page.get_by_role("button", name="Close this stop").wait_for(state="detached", timeout=WAIT_MS)
    assert page.url == was


def scrolled(page: Any) -> float:
    return page.evaluate("document.querySelector('[data-testid=\"stMain\"]').scrollTop")


def span_of(page: Any, kind: str) -> Any:
    """The longest span of a kind in the drawing of the night."""
    fill = theme.LIGHT.fill(kind)
    return page.evaluate_handle(
        "fill => [...document.querySelectorAll('.st-key-drawing .mark-rect path')]"
        ".filter(one => one.getAttribute('fill')?.toLowerCase() === fill)"
        ".sort((one, other) => other.getBoundingClientRect().width - one.getBoundingClientRect().width)[0]",
        fill.lower(),
    ).as_element()


def test_a_stop_of_the_list_opens_on_the_page_that_is_open(seen: Seen):
    seen.page.set_viewport_size({"width": 1280, "height": 400})
    link = seen.go("").locator(".rl-what a").last
    link.scroll_into_view_if_needed()
    assert scrolled(seen.page) > 0
    open_page_stays(seen, link.click)


def test_a_stop_of_the_drawing_opens_on_the_page_that_is_open(seen: Seen):
    seen.go("")
    open_page_stays(seen, span_of(seen.page, "stopped").click)


def test_time_without_a_stop_leads_nowhere(seen: Seen):
    page = seen.go("")
    was = page.url
    span_of(page, "producing").click()
    page.wait_for_timeout(1000)
    assert page.url == was
    assert "Walk to" in seen.text()


def test_a_link_to_another_page_opens_it_on_the_page_that_is_open(seen: Seen, store: Path):
    faults = Store(store).fact("reloads").filter(~pl.col("attended"), outcome="retried")
    machine = faults.collect()["machine"][0]
    page = seen.go(f"reloads?by=machine&group={machine}")
    page.evaluate("window.stays = true")
    page.get_by_role("link", name="its night").first.click()
    page.wait_for_url(re.compile(rf"/\?night=.*machine={machine}"), timeout=WAIT_MS)
    page.get_by_text(f"{machine} in detail").wait_for(timeout=WAIT_MS)
    assert page.evaluate("window.stays")


def test_a_link_opens_in_a_tab_of_its_own_where_that_is_asked_for(seen: Seen):
    page = seen.go("")
    with page.context.expect_page(timeout=WAIT_MS) as opened:
        page.locator(".rl-what a").first.click(modifiers=["ControlOrMeta"])
    opened.value.get_by_role("button", name="Close this stop").wait_for(timeout=WAIT_MS)
    assert "stop=" not in page.url


def test_what_was_typed_for_one_stop_is_not_said_of_another(seen: Seen):
    stops = seen.go("").locator(".rl-what a")
    stops.nth(0).click()
    page = seen.page
    page.get_by_label("Why").fill("swarf seen at the first")
    page.keyboard.press("Tab")
    page.get_by_role("button", name="Close this stop").wait_for(timeout=WAIT_MS)
    stops.nth(1).click()
    page.wait_for_function("() => document.querySelector('input[aria-label=\"Why\"]').value === ''", timeout=WAIT_MS)


def test_an_address_that_is_no_page_of_ours_is_loaded(seen: Seen):
    page = seen.go("")
    with page.expect_request(lambda request: request.is_navigation_request(), timeout=WAIT_MS):
        page.evaluate("() => { const a = document.createElement('a'); a.href = 'auth/login'; a.click(); }")
    seen.wrong.clear()  # there is no such page


def test_a_link_is_loaded_where_the_server_is_away(browser: Any, store: Path):
    """Else the click were lost, and the address would say what the page does not show."""
    page = browser.new_page()
    with served(store, SITE) as url:
        Seen(page, url).go("")
    page.wait_for_selector('[data-testid="stApp"]:not([data-test-connection-state="CONNECTED"])', timeout=WAIT_MS)
    with page.expect_event("requestfailed", lambda request: request.is_navigation_request(), timeout=WAIT_MS):
        page.locator(".rl-what a").first.click(no_wait_after=True)
    page.close()


def test_an_address_opens_the_same_view(seen: Seen, browser: Any):
    page = seen.go("week?machine=T03&rank=parts")
    table = page.inner_text(".rl-grid >> nth=0")
    assert "T03" in table
    assert "T01" not in table
    other = Seen(browser.new_page(), page.url)
    assert other.go("").inner_text(".rl-grid >> nth=0") == table
    other.page.close()


def test_a_choice_is_written_into_the_address(seen: Seen):
    page = seen.go("")
    page.get_by_label("Machine").first.click()
    page.keyboard.type("T02")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("machine=T02"), timeout=WAIT_MS)
    seen.drawn()
    assert "T02 in detail" in seen.text()


def test_tables_leave_as_csv_and_parquet(seen: Seen, tmp_path: Path):
    page = seen.go("")
    for kind, read in (("CSV", pl.read_csv), ("Parquet", pl.read_parquet)):
        with page.expect_download(timeout=WAIT_MS) as waiting:
            page.get_by_role("button", name=f"Machines as {kind}").click()
        to = tmp_path / waiting.value.suggested_filename
        waiting.value.save_as(to)
        assert read(to)["machine"].sort().to_list() == ["T01", "T02", "T03", "T04", "T05", "T06"]


def test_a_table_behind_a_tab_leaves_once_its_tab_is_opened(seen: Seen, tmp_path: Path):
    page = seen.go("week")
    page.get_by_role("tab", name="Short bars").click()
    with page.expect_download(timeout=WAIT_MS) as waiting:
        page.get_by_role("button", name="Short bars as Parquet").click()
    to = tmp_path / waiting.value.suggested_filename
    waiting.value.save_as(to)
    assert "missing_parts" in pl.read_parquet(to).columns
    assert page.get_by_role("button", name="Machines as CSV").count() == 0
    page.wait_for_url(re.compile(r"table=Short(\+|%20)bars"), timeout=WAIT_MS)
    page.go_back()
    page.get_by_role("button", name="Machines as CSV").wait_for(timeout=WAIT_MS)


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path or "last night")
def test_charts_leave_as_pictures(seen: Seen, tmp_path: Path, path: str):
    """By keys: as SVG and PNG under each chart, and by its toolbar, which shows itself to a mouse only where it is."""
    page = seen.go(path)
    charts = page.locator('[data-testid="stVegaLiteChart"]')
    charts.first.wait_for(timeout=WAIT_MS)
    for number in range(charts.count()):
        chart = charts.nth(number)
        if not chart.is_visible():  # in a tab that is not open
            continue
        frame = chart.locator("xpath=ancestor::*[@data-testid='stFullScreenFrame'][1]")
        to = left(page, frame.get_by_role("button", name=re.compile("PNG")), tmp_path / f"{number}.png")
        assert to.read_bytes().startswith(b"\x89PNG")
        assert to.stat().st_size > 2000
    under = page.locator('[class*="st-key-picture"]').first
    svg, png = (left(page, under.get_by_role("button", name=f" as {kind}"), tmp_path / kind) for kind in ("SVG", "PNG"))
    drawn = ElementTree.parse(svg).getroot()
    assert drawn.tag == "{http://www.w3.org/2000/svg}svg"
    assert len([*drawn.iter("{http://www.w3.org/2000/svg}text")]) > 5
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    size = struct.unpack(">II", png.read_bytes()[16:24])
    assert size == tuple(2 * round(float(drawn.attrib[side])) for side in ("width", "height"))


def left(page: Any, button: Any, to: Path) -> Path:
    """What a button hands over, saved."""
    with page.expect_download(timeout=WAIT_MS) as waiting:
        button.press("Enter")
    waiting.value.save_as(to)
    return to


def test_rows_of_a_chart_change_places_when_its_data_do(browser: Any, tmp_path: Path):
    app = tmp_path / "app.py"
    app.write_text(TURNED.format(folder=str(ROOT / "dashboards")))
    with served(tmp_path, SITE, app) as url:
        page = browser.new_page()
        page.goto(url)
        labels = page.locator(".role-axis-label text")
        labels.get_by_text("worst").wait_for(timeout=WAIT_MS)
        assert from_the_top(labels) == ["worst", "second", "third"]
        page.get_by_text("Turned").click()
        page.wait_for_timeout(2000)
        assert from_the_top(labels) == ["third", "second", "worst"]
        page.close()


def from_the_top(labels: Any) -> list[str]:
    told = [(one.bounding_box()["y"], one.text_content()) for one in labels.all()]
    return [text for _, text in sorted(told) if not text.isdigit() and "." not in text]


def test_a_picture_that_cannot_be_made_is_told_where_it_was_asked_for(browser: Any, tmp_path: Path):
    app = tmp_path / "app.py"
    app.write_text(NO_PICTURES.format(folder=str(ROOT / "dashboards")))
    with served(tmp_path, SITE, app) as url:
        page = browser.new_page()
        page.goto(url)
        page.get_by_role("button", name="Bars as PNG").press("Enter")
        told = page.get_by_test_id("stDownloadButtonError")
        told.wait_for(timeout=WAIT_MS)
        assert "Load the page anew and try again" in told.aria_snapshot()
        page.close()


def test_all_is_reached_by_keys_alone(seen: Seen):
    """From page to page by Tab and Enter, to the night before by its key, through the boxes by Tab."""
    page = seen.go("")
    page.keyboard.press("b")
    page.wait_for_url(re.compile("night="), timeout=WAIT_MS)
    seen.drawn()
    reached = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate("() => (document.activeElement.innerText || document.activeElement.ariaLabel || '').trim()")
        )
    assert {"The week", "Reload health", "Tonight", "Is the data sound", "T01"} <= reached
    page.goto(seen.address)
    seen.drawn()
    for _ in range(30):
        page.keyboard.press("Tab")
        if page.evaluate("() => (document.activeElement.innerText || '').trim()") == "The week":
            page.keyboard.press("Enter")
            break
    page.wait_for_url(re.compile("/week"), timeout=WAIT_MS)
    seen.drawn()
    assert "planned parts made" in seen.text()


def test_charts_say_their_finding(seen: Seen):
    for path in PAGES:
        page = seen.go(path)
        charts = page.query_selector_all('[data-testid="stVegaLiteChart"]')
        for chart in charts:
            # What Vega says of a chart of which nothing is said is shorter.
            assert len(chart.get_attribute("aria-label") or "") > 30, path


def test_the_week_prints_on_one_sheet(seen: Seen, tmp_path: Path):
    page = seen.go("week")
    sheet = page.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", sheet)) == 1


def test_no_store_and_no_site_file_are_sentences(browser: Any, tmp_path: Path):
    with served(tmp_path / "store", tmp_path / "site.toml") as url:
        page = browser.new_page()
        looked = Seen(page, url)
        for path in PAGES:
            looked.go(path)
            assert page.query_selector(".rl-lead"), path
        page.close()
    assert looked.wrong == []


def test_no_serious_fault_of_accessibility(seen: Seen):
    axe = os.environ.get("RUNLOG_AXE")
    if not axe:
        if os.environ.get("CI"):
            pytest.fail("RUNLOG_AXE must name axe.min.js of axe-core from npm")
        pytest.skip("RUNLOG_AXE names no axe.min.js (npm install axe-core)")
    found = []
    for path in PAGES:
        page = seen.go(path)
        page.add_script_tag(path=axe)
        told = page.evaluate("() => axe.run(document, {resultTypes: ['violations']})")
        found += [
            (path, one["id"], one["impact"], [node["html"][:120] for node in one["nodes"][:3]])
            for one in told["violations"]
            if one["impact"] in ("serious", "critical")
        ]
    assert found == []

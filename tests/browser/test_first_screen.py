"""The first screen in a real browser: what an engineer sees at six without touching anything."""

from collections.abc import Iterator

import pytest
from browser.conftest import served

from dashboards import nights

pytestmark = pytest.mark.slow

WIDE, HIGH = 1280, 800
DRAWING = ".st-key-drawing .marks"


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A running dashboard over the small shop's night."""
    with served(*nights.stored(tmp_path_factory.mktemp("shop"))) as url:
        yield url


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_first_screen_answers_without_scrolling(browser, address, tmp_path, scheme):
    page = browser.new_page(viewport={"width": WIDE, "height": HIGH}, color_scheme=scheme, timezone_id="Asia/Tokyo")
    wrong: list[str] = []
    page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(address)
    page.wait_for_selector(".rl-row", timeout=60_000)
    page.wait_for_selector(DRAWING, timeout=60_000)
    page.wait_for_selector(".rl-cautions", timeout=60_000)
    shot = tmp_path / f"first-screen-{scheme}.png"
    page.screenshot(path=shot)
    rows = [row.bounding_box() for row in page.query_selector_all(".rl-row")]
    lead = page.query_selector(".rl-lead")
    drawing = page.query_selector(DRAWING)
    assert lead
    assert drawing
    assert "Walk to T01 first" in lead.inner_text()
    for piece in (lead.bounding_box(), drawing.bounding_box(), *rows):
        assert piece
        assert piece["y"] >= 0
        assert piece["y"] + piece["height"] <= HIGH
        assert piece["x"] + piece["width"] <= WIDE
    # The browser is in Tokyo; the clock is the site's.
    if page.evaluate("node => node.tagName", drawing) == "svg":
        assert "22:00" in (drawing.text_content() or "")
    assert not page.query_selector('[data-testid="stException"]')
    assert wrong == []
    assert shot.stat().st_size > 0
    page.close()

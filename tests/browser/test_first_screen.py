"""The first screen in a real browser: what an engineer sees at six without touching anything."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboards import nights

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "msedge")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
WIDE, HIGH = 1280, 800
DRAWING = ".st-key-drawing .marks"


@pytest.fixture(scope="module")
def browser_path() -> str:
    found = os.environ.get("RUNLOG_CHROMIUM") or next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("no browser found: CI must not pass over the first screen")
        pytest.skip("no Chromium, Chrome or Edge found; RUNLOG_CHROMIUM names one")
    return found


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A running dashboard over the small shop's night."""
    store, site = nights.stored(tmp_path_factory.mktemp("shop"))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    env = os.environ | {"RUNLOG_STORE": str(store), "RUNLOG_SITE": str(site), "PYTHONPATH": path}
    command = [sys.executable, "-m", "streamlit", "run", str(ROOT / "dashboards" / "app.py"), "--server.headless=true"]
    served = subprocess.Popen(
        [*command, "--server.address=127.0.0.1", f"--server.port={port}"],
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_for(f"http://127.0.0.1:{port}/_stcore/health")
        yield f"http://127.0.0.1:{port}/"
    finally:
        served.terminate()
        served.wait(timeout=20)


def wait_for(url: str, seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            urllib.request.urlopen(url, timeout=2).close()
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
        else:
            return
    pytest.fail(f"no dashboard at {url} after {seconds:.0f} s")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_first_screen_answers_without_scrolling(browser_path, address, tmp_path, scheme):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=browser_path, args=FLAGS)
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
        browser.close()

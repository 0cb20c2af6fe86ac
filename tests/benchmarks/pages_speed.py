"""How long a person waits for the pages: `python tests/benchmarks/pages_speed.py [FOLDER]`.

A real browser opens each page over one machine of one week and over 50 machines of a year, several times: when its
first sentence stands there, and how long one choice takes (another machine, another grouping, another job). The large
shop is invented for thirteen weeks, which are then in its store four times, a quarter of a year apart. The server has
run before; a page is opened anew each time, so that only what it keeps between visitors is kept.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from browser.conftest import BROWSERS, FLAGS, served
from shops import shop

BEGIN: Final = date(2026, 1, 5)
ROUNDS: Final = 5
WAIT_MS: Final = 120_000
PAGES: Final[dict[str, tuple[str, str]]] = {
    "last night": ("", "Machine"),
    "the week": ("week", "Machine"),
    "reload health": ("reloads", "Grouped by"),
    "tonight": ("tonight", "Job"),
    "is the data sound": ("data", "Days"),
}
"""Address of each page, and the box in which something is chosen."""


def timed(open_page: Callable[[], Any], address: str, box: str) -> tuple[float, float]:
    """Seconds until the first sentence stands, and until a choice has been followed."""
    page = open_page()
    begin = time.perf_counter()
    page.goto(address, wait_until="commit")
    page.wait_for_selector(".rl-lead", timeout=WAIT_MS)
    first = time.perf_counter() - begin
    page.wait_for_selector(".rl-cautions", timeout=WAIT_MS)
    page.wait_for_timeout(1500)
    page.get_by_label(box, exact=True).first.click()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    before = page.url
    begin = time.perf_counter()
    page.keyboard.press("Enter")
    page.wait_for_function("was => location.href !== was", arg=before, timeout=WAIT_MS)
    page.wait_for_function("() => !document.querySelector('[data-stale=\"true\"]')", timeout=WAIT_MS)
    took = time.perf_counter() - begin
    page.context.close()
    return first, took


def bare(folder: Path, open_page: Callable[[], Any]) -> str:
    """How long Streamlit itself takes to show one sentence: the least that could be."""
    app = folder / "bare.py"
    app.write_text("import streamlit as st\n\nst.html('<div class=\"rl-lead\">one sentence</div>')\n", encoding="utf-8")
    took = []
    with served(folder, folder, app) as url:
        for _ in range(ROUNDS + 1):
            page = open_page()
            begin = time.perf_counter()
            page.goto(url, wait_until="commit")
            page.wait_for_selector(".rl-lead", timeout=WAIT_MS)
            took.append(time.perf_counter() - begin)
            page.context.close()
    return f"| none | one sentence, Streamlit alone | {statistics.median(took[1:]):.2f} | {max(took[1:]):.2f} | | |\n"


def main(folder: Path) -> None:
    import shutil

    from playwright.sync_api import sync_playwright

    small = {"machines": 1, "begin": BEGIN, "days": 7}
    shops = {"1 machine, 1 week": small, "50 machines, 1 year": {"machines": 50, "begin": BEGIN, "quarters": 4}}
    sys.stdout.write("| shop | page | first sentence [s] | the slowest | a choice [s] | the slowest |\n")
    sys.stdout.write("| --- | --- | ---: | ---: | ---: | ---: |\n")
    with sync_playwright() as play:
        path = next(filter(None, map(shutil.which, BROWSERS)))
        browser = play.chromium.launch(executable_path=path, args=FLAGS)
        open_page = lambda: browser.new_context(viewport={"width": 1280, "height": 800}).new_page()  # noqa: E731
        sys.stdout.write(bare(folder, open_page))
        for words, size in shops.items():
            place = folder / words.split(",")[0].replace(" ", "-")
            place.mkdir(parents=True, exist_ok=True)
            if not (place / "site.toml").exists():
                shop(place, **size)
            with served(place / "store", place / "site.toml") as url:
                for name, (page, box) in PAGES.items():
                    timed(open_page, url + page, box)
                    took = [timed(open_page, url + page, box) for _ in range(ROUNDS)]
                    first, choice = zip(*took, strict=True)
                    figures = (statistics.median(first), max(first), statistics.median(choice), max(choice))
                    sys.stdout.write(f"| {words} | {name} | {' | '.join(f'{one:.2f}' for one in figures)} |\n")
                    sys.stdout.flush()
        browser.close()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made_here:
            main(Path(made_here))

"""How long a person waits for the pages: `python tests/benchmarks/pages_speed.py [FOLDER]`.

A real browser opens each page over one machine of one week and over 50 machines of a year, several times: when
anything is drawn (the browser's own first contentful paint), when its first sentence stands there, and how long one
choice takes (another machine, another grouping, another job; in the large shop another night and another week, too),
from the key to the last change that can be seen. All that can be done on a page is timed by `interactions.py`.
The browser has opened a page of that server before, as that of whoever looks every morning. The large shop is invented
for thirteen weeks, which are then in its store four times, a quarter of a year apart. The server has run before; a page
is opened anew each time, so that only what it keeps between visitors is kept.
"""

import statistics
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from acting import WATCH, choosing, settled, took
from browser.conftest import BROWSERS, FLAGS, served
from shops import in_folder, shop

BEGIN: Final = date(2026, 1, 5)
ROUNDS: Final = 5
WAIT_MS: Final = 120_000
PAGES: Final = {
    "last night": ("", "Machine", ROUNDS + 1),
    "the week": ("week", "Machine", ROUNDS + 1),
    "reload health": ("reloads", "Grouped by", ROUNDS),
    "tonight": ("tonight", "Job", ROUNDS + 1),
    "is the data sound": ("data", "Days", 3),
}
"""Address of each page, the box in which something is chosen, and how many of its choices are tried in turn."""
OF_ONE: Final = {"last night": ("", "Night", ROUNDS + 1), "the week": ("week", "Ranked", 2)}
"""What is chosen where there is one machine."""
OTHER_DAYS: Final = {
    "another night": ("", "Night", ROUNDS + 1),
    "another week": ("week", "Week", ROUNDS + 1),
}
"""The same of the large shop alone: a week has too few nights and weeks to choose from."""
BARE: Final = """
import streamlit as st

def taken():
    st.query_params["box"] = st.session_state["box"]

st.html(f'<div class="rl-lead">one sentence about {st.session_state.get("box")}</div>')
st.selectbox("Box", list(range(20)), key="box", on_change=taken)
st.html('<div class="rl-cautions">the end</div>')
"""


FIRST_SENTENCE: Final = """
const looking = new MutationObserver(() => {
  if (!document.querySelector(".rl-lead")) return;
  looking.disconnect();
  requestAnimationFrame(() => setTimeout(() => { window.firstSentenceAt = performance.now(); }));
});
looking.observe(document, { childList: true, subtree: true });
"""
"""Notes when the first sentence has been drawn: who asks for it from outside asks twice a second only."""


def timed(open_page: Callable[[], Any], address: str, box: str, number: int) -> tuple[float, float, float]:
    """Seconds until something is drawn, until the first sentence stands, and until a choice has been followed."""
    page = open_page()
    page.goto(address, wait_until="commit")
    page.wait_for_selector(".rl-cautions", timeout=WAIT_MS)
    # The note of it is made a frame later, which can be after the end of the page came.
    first = page.wait_for_function("window.firstSentenceAt", timeout=WAIT_MS).json_value() / 1000
    paint = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime") / 1000
    settled(page)
    followed = took(page, choosing(page, box, number))
    page.close()
    return paint, first, followed


def bare(folder: Path) -> Path:
    """A page of one sentence and one box, in Streamlit alone: the least that could be."""
    app = folder / "bare.py"
    app.write_text(BARE, encoding="utf-8")
    return app


def measured(url: str, page: str, box: str, choices: int, open_page: Callable[[], Any]) -> list[float]:
    """Median and longest of each time that `timed` takes."""
    timed(open_page, url + page, box, 1)
    # What nobody has asked for yet, as long as there is any.
    times = [timed(open_page, url + page, box, 1 + number % choices) for number in range(1, ROUNDS + 1)]
    return [figure for column in zip(*times, strict=True) for figure in (statistics.median(column), max(column))]


def row(shop: str, page: str, figures: list[float], least: list[float]) -> str:
    """A line of the table; at its end how many times what Streamlit alone took for a choice, as machines differ."""
    times = f"{figures[4] / least[4]:.1f}x"
    return f"| {shop} | {page} | {' | '.join(f'{one:.2f}' for one in figures)} | {times} |\n"


def main(folder: Path) -> None:
    import shutil

    from playwright.sync_api import sync_playwright

    small, large = {"machines": 1, "begin": BEGIN, "days": 7}, {"machines": 50, "begin": BEGIN, "quarters": 4}
    shops = {"1 machine, 1 week": (small, PAGES | OF_ONE), "50 machines, 1 year": (large, PAGES | OTHER_DAYS)}
    columns = [f"{name} [s] | the slowest" for name in ("first paint", "first sentence", "a choice")]
    written(f"| shop | page | {' | '.join(columns)} | of Streamlit's own |\n| --- | --- |{' ---: |' * 7}\n")
    with sync_playwright() as play:
        path = next(filter(None, map(shutil.which, BROWSERS)))
        browser = play.chromium.launch(executable_path=path, args=FLAGS)
        visitor = browser.new_context(viewport={"width": 1280, "height": 800})
        visitor.add_init_script(FIRST_SENTENCE + WATCH)
        open_page = visitor.new_page
        with served(folder, folder, bare(folder)) as url:
            least = measured(url, "", "Box", ROUNDS + 1, open_page)
            written(row("none", "one sentence, Streamlit alone", least, least))
        for words, (size, pages) in shops.items():
            place = folder / words.split(",")[0].replace(" ", "-")
            place.mkdir(parents=True, exist_ok=True)
            if not (place / "site.toml").exists():
                shop(place, **size)
            with served(place / "store", place / "site.toml") as url:
                for name, asked in pages.items():
                    written(row(words, name, measured(url, *asked, open_page), least))
        browser.close()


def written(line: str) -> None:
    sys.stdout.write(line)
    sys.stdout.flush()


if __name__ == "__main__":
    in_folder(main)

"""How long a person waits for the pages: `python tests/benchmarks/pages_speed.py [FOLDER]`.

A real browser opens each page over one machine of one week and over 50 machines of a year, several times: when its
first sentence stands there, and how long one choice takes (another machine, another grouping, another job). The large
shop is six invented machines of thirteen weeks, copied under other names and into other quarters. The server has
run before; a page is opened anew each time, so that only what it keeps between visitors is kept.
"""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Final

import polars as pl
import polars.selectors as cs

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from browser.conftest import BROWSERS, FLAGS, served
from health_speed import copied, with_machines

from runlog.bundled import sample_logs
from runlog.derive import derive
from runlog.pipeline import ingest
from runlog.simulator import simulate_frames
from runlog.site import load_site, parse_site
from runlog.store import Store

QUARTER: Final = timedelta(days=91)
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


def made(folder: Path, machines: int, days: int, quarters: int = 1) -> tuple[Path, Path]:
    """A store of so many machines and its site file."""
    own = min(machines, 6)
    events, _, toml = simulate_frames(start=BEGIN, days=days, seed=3, machines=own)
    facts = {name: frame.collect() for name, frame in derive(events.lazy(), parse_site(toml)).items()}
    names = [f"T{number:02d}" for number in range(1, machines + 1)]
    of = pl.LazyFrame({"name": names, "of": [names[place % own] for place in range(machines)]})
    wide = {
        name: copied(pl.concat([moved(frame, QUARTER * number) for number in range(quarters)]).lazy(), of)
        for name, frame in facts.items()
    }
    (folder / "site.toml").write_text(with_machines(toml, names) if machines > own else toml, encoding="utf-8")
    store = Store(folder / "store")
    sample = next(path for path in sorted((sample_logs() / "logs").rglob("*")) if path.is_file())
    ingest([sample], load_site(sample_logs() / "site.toml"), store, base=sample_logs())
    store.replace_facts(wide)
    return folder / "store", folder / "site.toml"


def moved(frame: pl.DataFrame, by: timedelta) -> pl.DataFrame:
    """Rows so much later."""
    return frame.with_columns(cs.temporal() + by)


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

    shops = {"1 machine, 1 week": (1, 7, 1), "50 machines, 1 year": (50, 91, 4)}
    sys.stdout.write("| shop | page | first sentence [s] | the slowest | a choice [s] | the slowest |\n")
    sys.stdout.write("| --- | --- | ---: | ---: | ---: | ---: |\n")
    with sync_playwright() as play:
        path = next(filter(None, map(shutil.which, BROWSERS)))
        browser = play.chromium.launch(executable_path=path, args=FLAGS)
        open_page = lambda: browser.new_context(viewport={"width": 1280, "height": 800}).new_page()  # noqa: E731
        sys.stdout.write(bare(folder, open_page))
        for shop, size in shops.items():
            place = folder / shop.split(",")[0].replace(" ", "-")
            place.mkdir(parents=True, exist_ok=True)
            there = (place / "store", place / "site.toml")
            store, site = there if there[1].exists() else made(place, *size)
            with served(store, site) as url:
                for name, (page, box) in PAGES.items():
                    timed(open_page, url + page, box)
                    took = [timed(open_page, url + page, box) for _ in range(ROUNDS)]
                    first, choice = zip(*took, strict=True)
                    figures = (statistics.median(first), max(first), statistics.median(choice), max(choice))
                    sys.stdout.write(f"| {shop} | {name} | {' | '.join(f'{one:.2f}' for one in figures)} |\n")
                    sys.stdout.flush()
        browser.close()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as made_here:
            main(Path(made_here))

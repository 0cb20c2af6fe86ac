"""Every page over stores as they are not meant to be: each a page that makes sense, and no fault."""

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from browser.conftest import served
from browser.looking import PAGES, Seen

from dashboards import nights
from runlog.derive import derive
from runlog.site import load_site
from runlog.store import Store

pytestmark = pytest.mark.slow

HOSTILE = (
    "<b>M1</b>",
    "<img src=x onerror=alert(1)>",
    "**M3** *x*",
    "[M4](javascript:alert(4))",
    "$M5^2$ and $x$",
    ":red[M6] :material/home:",
    "=M7+1",
    "`M8`",
)
"""Names that mean something to a browser, to Markdown or to a spreadsheet."""


def copies(names: tuple[str, ...]) -> list[nights.Log]:
    """The night of T01, once for each name."""
    broken = nights.logs()[0]
    made = [nights.Log(name, nights.TEN_AT_NIGHT) for name in names]
    for log in made:
        log.rows = [row | {"machine": log.machine} for row in broken.rows]
    return made


def many(folder: Path) -> tuple[Path, Path]:
    names = (*HOSTILE, *(f"M{number:03}" for number in range(len(HOSTILE), 200)))
    return nights.stored(folder, copies(names), names)


def running(folder: Path) -> tuple[Path, Path]:
    """The log ends in the middle of the night."""
    return nights.stored(folder, nights.logs(end=nights.TEN_AT_NIGHT + timedelta(hours=3)))


def without_jobs(folder: Path) -> tuple[Path, Path]:
    """No job is known, so nothing was planned."""
    text = re.sub(r"(?ms)^\[\[job\]\].*?(?=^\[\[|^\[|\Z)", "", nights.site_text("T02", "T03"))
    assert "[[job]]" not in text
    return nights.stored(folder, text=text)


def one_machine(folder: Path) -> tuple[Path, Path]:
    return nights.stored(folder, nights.logs()[:1], more=())


def a_silent_machine(folder: Path) -> tuple[Path, Path]:
    """T03 logged nothing."""
    return nights.stored(folder)


def without_facts(folder: Path) -> tuple[Path, Path]:
    """Read, and nothing made of it yet."""
    store, site = nights.stored(folder)
    Store(store).replace_facts({name: frame.clear() for name, frame in Store(store).facts().items()})
    return store, site


def looked_at(browser: Any, store: Path, site: Path) -> Iterator[tuple[str, Seen]]:
    """Each page with what is to be read on it, opened once; at the end nothing may have gone wrong."""
    with served(store, site) as url:
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.on("dialog", lambda dialog: (seen.wrong.append(f"dialog: {dialog.message}"), dialog.dismiss()))
        seen = Seen(page, url)
        for path in PAGES:
            seen.go(path)
            assert page.query_selector(".rl-lead"), path
            yield path, seen
        page.close()
    assert seen.wrong == []


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (one_machine, "1 of 1 standing now"),
        (a_silent_machine, "nothing in the log"),
        (running, "the night is still running"),
        (without_jobs, "no plan"),
        (without_facts, "read logs first"),
    ],
    ids=lambda one: one.__name__ if callable(one) else "",
)
def test_every_page_makes_sense(browser: Any, tmp_path: Path, make: Callable[[Path], tuple[Path, Path]], says: str):
    for path, seen in looked_at(browser, *make(tmp_path)):
        if path == "":
            assert says in seen.text()


def test_two_hundred_machines_of_any_name(browser: Any, tmp_path: Path):
    for path, seen in looked_at(browser, *many(tmp_path)):
        wide = seen.page.evaluate("() => document.querySelector('[data-testid=\"stMain\"]').scrollWidth")
        assert wide <= 1280, path
        made = seen.page.evaluate(
            "() => [...document.querySelectorAll('b, strong, em, code, a, span, .katex, img')]"
            ".filter(one => /M[1-8](?![0-9])|javascript:/.test(one.textContent + (one.href || '')))"
            ".map(one => one.outerHTML).filter(html => !/&lt;|\\*\\*|\\]\\(|\\$|:red|=M7|`/.test(html))"
        )
        assert made == [], path
        if path == "":
            assert any(name in seen.text() for name in HOSTILE)


@contextmanager
def made_anew_again_and_again(store: Path, site: Path) -> Iterator[list[int]]:
    """Facts are replaced all the time, as by a watcher or `runlog derive --all`."""
    stop, times = threading.Event(), list[int]()

    def remake() -> None:
        while not stop.is_set():
            held = Store(store)
            held.replace_facts(derive(held.events(), load_site(site)))
            times.append(len(times))

    worker = threading.Thread(target=remake)
    worker.start()
    try:
        yield times
    finally:
        stop.set()
        worker.join()


def test_a_store_being_rebuilt_is_shown_as_it_last_was(browser: Any, tmp_path: Path):
    store, site = nights.stored(tmp_path)
    with made_anew_again_and_again(store, site) as times:
        for path, seen in looked_at(browser, store, site):
            if path == "":
                assert "Walk to T01 first" in seen.text()
    assert len(times) > 2

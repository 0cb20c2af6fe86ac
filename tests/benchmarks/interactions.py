"""How long all that can be done on the pages takes: `python tests/benchmarks/interactions.py [FOLDER]`.

Over 50 machines of a year, as `pages_speed.py` invents them and leaves them in the folder; on a copy, as some of it is
written. Each is done several times, and whatever can be chosen is one that nobody has asked for yet.
"""

import shutil
import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from acting import WATCH, Act, choosing, clicking, opened, pressing, settled, took
from browser.conftest import BROWSERS, FLAGS, served
from pages_speed import BARE, BEGIN
from shops import in_folder, shop

ROUNDS: Final = 5
ROW_PX: Final = 35
"""Height of a row of the table of what is loaded."""
WHO: Final = "A. Turner"
Doing = Callable[[Any, int], Act]
"""Prepares what is done on a page, the so-manieth time, up to the last key or click."""


def choice(label: str) -> Doing:
    return lambda page, number: choosing(page, label, 1 + number)


def key(name: str) -> Doing:
    return lambda _page, _number: pressing(name)


def button(name: str, role: str = "button") -> Doing:
    return lambda page, _: clicking(page, page.get_by_role(role, name=name, exact=True).first)


def words(text: str) -> Doing:
    return lambda page, _: clicking(page, page.get_by_text(text).first)


def number_of(label: str, step: int) -> Doing:
    def prepared(page: Any, number: int) -> Act:
        page.get_by_label(label, exact=True).first.fill(str(step * (1 + number)))
        return pressing("Enter")

    return prepared


def start_of_tonight(page: Any, number: int) -> Act:
    page.get_by_label("Start, local", exact=True).fill(f"2026-12-{1 + number:02}T22:00")
    return pressing("Enter")


def bars(page: Any, number: int) -> Act:
    """Another number of bars in the magazine of a machine."""
    table = page.locator(".st-key-loaded canvas").first
    table.scroll_into_view_if_needed()
    box = table.bounding_box()
    page.mouse.click(box["x"] + 0.42 * box["width"], box["y"] + ROW_PX * (number + 1) + ROW_PX / 2)
    settled(page)
    page.keyboard.type(str(3 + number))
    return pressing("Enter")


def part(name: str) -> Doing:
    return lambda page, _: clicking(page, page.locator("[data-testid=stButtonGroup] button", has_text=name).first)


def group_in_the_chart(page: Any, number: int) -> Act:
    mark = page.locator("[data-testid=stVegaLiteChart] g.mark-symbol path").nth(2 * number)
    return clicking(page, mark)


def link(place: str, known: int = ROUNDS) -> Doing:
    """One link after the other, of as many as there are."""
    return lambda page, number: clicking(page, page.locator(place).nth(number % known))


def stop_in_the_drawing(page: Any, number: int) -> Act:
    """The widest blocks that lead to a stop; the browser's drawing knows where each leads."""
    block = page.evaluate_handle(
        "number => [...document.querySelectorAll('.st-key-drawing .mark-rect path')].filter(one => one.__data__?.href)"
        ".sort((one, other) => other.getBoundingClientRect().width - one.getBoundingClientRect().width)[number]",
        number,
    )
    return clicking(page, block.as_element())


def stop(page: Any, number: int) -> None:
    """Go to the stop that ended a machine's run."""
    page.locator(".rl-what a").nth(number).click()
    page.get_by_role("button", name="Close this stop").wait_for()
    settled(page)


def closing(page: Any, number: int) -> Act:
    stop(page, number)
    return button("Close this stop")(page, number)


def cause(page: Any, number: int) -> Act:
    stop(page, number)
    page.get_by_label("Who says so").first.fill(WHO)
    choosing(page, "Its cause", 2)(page)
    settled(page)
    return button("Name its cause")(page, number)


def fix(page: Any, number: int) -> Act:
    page.get_by_label("What was done").fill(f"new liner {number}")
    page.get_by_label("Your name").first.fill(WHO)
    return button("Note it")(page, number)


def remark(page: Any, number: int) -> Act:
    page.get_by_label("Remark, or what is to be done").fill(f"new coolant {number}")
    page.get_by_label("Who says so").last.fill(WHO)
    return button("Note it")(page, number)


DONE: Final[list[tuple[str, str, str, Doing]]] = [
    ("last night", "", "another machine", choice("Machine")),
    ("last night", "", "another night", choice("Night")),
    ("last night", "", "the night before, by key", key("b")),
    ("last night", "", "all 50 machines", words("All 50 machines")),
    ("last night", "", "a machine of the list", link(".rl-name a")),
    ("last night", "", "a stop of the list", link(".rl-what a")),
    ("last night", "", "a stop of the drawing", stop_in_the_drawing),
    ("last night", "", "another table", button("Stops", "tab")),
    ("last night", "", "a stop closed", closing),
    ("last night", "", "a cause named", cause),
    ("the week", "week", "another machine", choice("Machine")),
    ("the week", "week", "another week", choice("Week")),
    ("the week", "week", "losses by number of stops", lambda page, _: choosing(page, "Ranked", 1)),
    ("the week", "week", "a remark noted", remark),
    ("reload health", "reloads", "another machine", choice("Machine")),
    ("reload health", "reloads", "grouped otherwise", choice("Grouped by")),
    ("reload health", "reloads", "faults of another cause", choice("Faults")),
    ("reload health", "reloads", "the reloads of a group", choice("Show the reloads of")),
    ("reload health", "reloads?by=machine&group=T01", "the night of a fault", link("a:text-is('its night')", 3)),
    ("reload health", "reloads", "a mark clicked", group_in_the_chart),
    ("reload health", "reloads", "over time", part("Over time")),
    ("reload health", "reloads", "reload times", part("Reload times")),
    ("reload health", "reloads", "alarms", part("Alarms")),
    ("reload health", "reloads?part=fixes", "a fix noted", fix),
    ("tonight", "tonight", "another job", choice("Job")),
    ("tonight", "tonight", "another machine", choice("Machine")),
    ("tonight", "tonight", "parts wanted", number_of("Parts wanted", 700)),
    ("tonight", "tonight", "another night", start_of_tonight),
    ("tonight", "tonight", "bars loaded", bars),
    ("is the data sound", "data", "other days", lambda page, number: choosing(page, "Days", 1 + number % 2)),
    ("is the data sound", "data", "all 50 machines", words("All 50 machines")),
    ("is the data sound", "data", "another code", choice("Alarm code")),
]
"""Page, its address, what is done there."""


def times(visitor: Any, url: str, doing: Doing) -> Iterator[float]:
    for number in range(ROUNDS):
        page = opened(visitor, url)
        yield took(page, doing(page, number))
        page.close()


@contextmanager
def large_shop(folder: Path) -> Iterator[Path]:
    """A copy of the shop, which is invented where it is not there."""
    place = folder / "50-machines"
    place.mkdir(parents=True, exist_ok=True)
    if not (place / "site.toml").exists():
        shop(place, machines=50, begin=BEGIN, quarters=4)
    with tempfile.TemporaryDirectory() as copy:
        yield shutil.copytree(place, Path(copy) / "shop")


def written(page: str, what: str, took: list[float]) -> None:
    sys.stdout.write(f"| {page} | {what} | {statistics.median(took):.2f} | {max(took):.2f} |\n")
    sys.stdout.flush()


def main(folder: Path) -> None:
    from playwright.sync_api import sync_playwright

    sys.stdout.write("| page | what is done | median [s] | the slowest [s] |\n| --- | --- | ---: | ---: |\n")
    with sync_playwright() as play, large_shop(folder) as place:
        path = next(filter(None, map(shutil.which, BROWSERS)))
        browser = play.chromium.launch(executable_path=path, args=FLAGS)
        visitor = browser.new_context(viewport={"width": 1280, "height": 800})
        visitor.add_init_script(WATCH)
        bare = place / "bare.py"
        bare.write_text(BARE, encoding="utf-8")
        with served(place, place, bare) as url:
            written("Streamlit alone", "another choice", list(times(visitor, url, choice("Box"))))
        with served(place / "store", place / "site.toml") as url:
            opened(visitor, url).close()
            for page, path, what, doing in DONE:
                written(page, what, list(times(visitor, url + path, doing)))
        browser.close()


if __name__ == "__main__":
    in_folder(main)

"""How long a page takes to follow what a person does: from the key or the click to the last change that can be seen.

Counted is what a browser has drawn: nodes and texts that come or go, and shapes of drawings that change. Not counted is
what nobody sees: a table's text for screen readers, which its library writes a fifth of a second after the table, marks
of Streamlit's own that a part is being worked on, and what lies outside the page.
"""

from collections.abc import Callable
from typing import Any, Final

WAIT_MS: Final = 60_000
QUIET_MS: Final = 600
"""So long nothing changes any more: the page has followed."""
WATCH: Final = """
window.actedAt = 0; window.changedAt = 0;
for (const kind of ["click", "keydown"])
  document.addEventListener(kind, () => { window.actedAt = performance.now(); }, true);
const seen = change => {
  const node = change.target.nodeType === 1 ? change.target : change.target.parentElement;
  return node && node.closest('[data-testid="stApp"]') && !node.closest("canvas")
    && (change.type !== "attributes" || node.closest("svg"));
};
new MutationObserver(changes => { if (changes.some(seen)) window.changedAt = performance.now(); })
  .observe(document, { childList: true, subtree: true, attributes: true, characterData: true });
"""
"""Runs in every page before anything else."""
_AT_REST: Final = """quiet => performance.now() - Math.max(window.changedAt, window.actedAt) > quiet
  && document.querySelector('[data-testid="stApp"]').getAttribute("data-test-script-state") === "notRunning"
"""

Act = Callable[[Any], None]


def settled(page: Any) -> None:
    """Wait until a page is at rest."""
    page.wait_for_function(_AT_REST, arg=QUIET_MS, timeout=WAIT_MS)


def opened(visitor: Any, address: str) -> Any:
    """A page that is at rest."""
    page = visitor.new_page()
    page.goto(address, wait_until="commit")
    page.wait_for_selector(".rl-cautions", timeout=WAIT_MS)
    settled(page)
    return page


def took(page: Any, act: Act) -> float:
    """Seconds from what a person does last until the page has followed.

    Raises
    ------
    RuntimeError
        Nothing changed: there was nothing to time.
    """
    settled(page)
    before = page.evaluate("window.changedAt")
    act(page)
    settled(page)
    acted, changed = page.evaluate("[window.actedAt, window.changedAt]")
    if not changed > max(acted, before):
        raise RuntimeError("nothing changed on the page")
    return (changed - acted) / 1000


def choosing(page: Any, label: str, number: int) -> Act:
    """Open a box and go down so many of its choices; what is left to do is to take the one."""
    page.get_by_label(label, exact=True).first.click()
    for _ in range(number):
        page.keyboard.press("ArrowDown")
    return pressing("Enter")


def pressing(key: str) -> Act:
    """Press a key."""
    return lambda page: page.keyboard.press(key)


def clicking(page: Any, place: Any) -> Act:
    """Click something, which is brought into sight before."""
    place.scroll_into_view_if_needed()
    return lambda _: place.click()

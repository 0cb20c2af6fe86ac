"""Looking at a page in a browser, and hearing what goes wrong on it."""

from typing import Any

PAGES = ("", "week", "reloads", "tonight", "data")
WAIT_MS = 60_000


class Seen:
    """A page and what went wrong on it."""

    def __init__(self, page: Any, address: str) -> None:
        self.page, self.address, self.wrong = page, address, list[str]()
        page.on("console", self._said)
        page.on("pageerror", lambda error: self.wrong.append(str(error)))

    def _said(self, said: Any) -> None:
        # On a page below the root Streamlit first asks for its own addresses there, and is refused.
        if said.type == "error" and "_stcore" not in said.location.get("url", ""):
            self.wrong.append(f"{said.text} {said.location.get('url')}")

    def go(self, path: str) -> Any:
        self.page.goto(self.address + path)
        return self.drawn()

    def drawn(self) -> Any:
        """Wait until nothing is being worked out any more."""
        self.page.wait_for_selector(".rl-cautions", timeout=WAIT_MS)
        self.page.wait_for_function(
            "() => !document.querySelector('[data-testid=\"stStatusWidget\"]')"
            " && !document.querySelector('[data-stale=\"true\"]')",
            timeout=WAIT_MS,
        )
        self.page.wait_for_timeout(400)
        assert not self.page.query_selector('[data-testid="stException"]')
        return self.page

    def text(self) -> str:
        return self.page.inner_text('[data-testid="stMain"]')

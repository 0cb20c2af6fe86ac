"""Tonight."""

import data
import pieces
import sheet


def page(here: data.Place) -> None:
    """Draw it."""
    data.facts(here)
    pieces.section("Tonight")


sheet.opened(page)

"""The week."""

import data
import pieces
import sheet


def page(here: data.Place) -> None:
    """Draw it."""
    data.facts(here)
    pieces.section("The week")


sheet.opened(page)

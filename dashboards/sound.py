"""Is the data sound."""

import data
import pieces
import sheet


def page(here: data.Place) -> None:
    """Draw it."""
    data.facts(here)
    pieces.section("Is the data sound")


sheet.opened(page)

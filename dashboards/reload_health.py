"""Reload health."""

import data
import pieces
import sheet


def page(here: data.Place) -> None:
    """Draw it."""
    data.facts(here)
    pieces.section("Reload health")


sheet.opened(page)

"""One night, derived once for all tests of the pages."""

import sys
from pathlib import Path

import pytest

# The pages import each other as Streamlit lets them: from their own folder.
sys.path.insert(0, str(Path(__file__).parents[2] / "dashboards"))

from dashboards import nights
from runlog.figures.night import NightReview, night_review


@pytest.fixture(scope="session")
def review() -> NightReview:
    """The small shop's night."""
    shop = nights.site("T02", "T03")
    return night_review(nights.facts(shop), shop)


@pytest.fixture(scope="session")
def shop_on_disk(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Its store and site file."""
    return nights.stored(tmp_path_factory.mktemp("shop"))

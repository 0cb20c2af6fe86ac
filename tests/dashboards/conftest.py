"""One night, derived once for all tests of the pages."""

import sys
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest

# The pages import each other as Streamlit lets them: from their own folder.
sys.path.insert(0, str(Path(__file__).parents[2] / "dashboards"))

import drawing

from dashboards import nights
from runlog.figures.night import NightReview, night_review

PAGES = Path(__file__).parents[2] / "dashboards"


@pytest.fixture(scope="session")
def review() -> NightReview:
    """The small shop's night."""
    shop = nights.site("T02", "T03")
    return night_review(nights.facts(shop), shop)


@pytest.fixture(scope="session")
def shop_on_disk(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Its store and site file."""
    return nights.stored(tmp_path_factory.mktemp("shop"))


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch):
    """Open the dashboard, or one page of it alone, over a store and a site file, with an address."""

    def run(store: Path, site: Path, page: str = "app", **address: str) -> AppTest:
        monkeypatch.setenv("RUNLOG_STORE", str(store))
        monkeypatch.setenv("RUNLOG_SITE", str(site))
        test = AppTest.from_file(str(PAGES / f"{page}.py"), default_timeout=60)
        for name, value in address.items():
            test.query_params[name] = value
        test.run()
        assert not test.exception
        return test

    return run


@pytest.fixture
def taken(monkeypatch: pytest.MonkeyPatch) -> list[tuple[dict[str, Any], str]]:
    """Specification and title of every chart that a page hands over as pictures."""
    seen: list[tuple[dict[str, Any], str]] = []
    pictures = drawing.pictures

    def noted(spec: dict[str, Any], title: str, *given: Any, **more: Any) -> None:
        seen.append((spec, title))
        pictures(spec, title, *given, **more)

    monkeypatch.setattr(drawing, "pictures", noted)
    return seen

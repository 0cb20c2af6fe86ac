"""How long people wait: one pause a visit, and libraries that no garbage collection looks through again."""

import gc
from types import SimpleNamespace

import first
import lasting
import pytest


def test_only_the_first_sentence_of_a_visit_is_paused_for(opened, shop_on_disk, monkeypatch):
    pauses: list[float] = []
    monkeypatch.setattr(first, "time", SimpleNamespace(sleep=pauses.append))
    page = opened(*shop_on_disk)
    assert pauses == [first.PAUSE_S]
    page.selectbox(key="machine").set_value("T02").run()
    assert pauses == [first.PAUSE_S]


@pytest.fixture
def collections():
    lasting.stays.cache_clear()
    yield
    gc.unfreeze()
    lasting.stays.cache_clear()


@pytest.mark.usefixtures("collections")
def test_what_a_page_has_loaded_is_passed_over_from_then_on(opened, shop_on_disk):
    gc.unfreeze()
    page = opened(*shop_on_disk)
    passed_over = gc.get_freeze_count()
    assert passed_over > 100_000
    page.run()
    assert gc.get_freeze_count() <= passed_over

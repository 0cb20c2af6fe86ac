"""Nothing of the store is shown before somebody has logged in."""

from pathlib import Path

import pytest
from dashboards.pages import html
from streamlit.testing.v1 import AppTest

APP = Path(__file__).parents[2] / "dashboards" / "app.py"


def opened(person: dict) -> AppTest:
    page = AppTest.from_file(str(APP), default_timeout=120)
    page.user = person
    page.run()
    assert not page.exception
    return page


@pytest.fixture(autouse=True)
def shop(monkeypatch: pytest.MonkeyPatch, shop_on_disk):
    monkeypatch.setenv("RUNLOG_STORE", str(shop_on_disk[0]))
    monkeypatch.setenv("RUNLOG_SITE", str(shop_on_disk[1]))


@pytest.mark.parametrize("person", [{}, {"is_logged_in": False}, {"is_logged_in": "yes"}])
def test_who_is_not_logged_in_sees_the_question_only(person, monkeypatch):
    monkeypatch.setenv("RUNLOG_LOGIN", "asked for")
    page = opened(person)
    assert "Log in to see this dashboard" in html(page)
    assert "T01" not in html(page)
    assert not page.dataframe
    assert [button.label for button in page.button] == ["Log in"]


def test_who_is_logged_in_sees_the_page_their_name_and_the_way_out(monkeypatch):
    monkeypatch.setenv("RUNLOG_LOGIN", "asked for")
    page = opened({"is_logged_in": True, "name": "**Anna** <b>", "email": "a@example.com"})
    assert "Walk to T01 first" in html(page)
    assert "Logged in: **Anna** <b>" in [one.value for one in page.text]
    assert page.button(key="log out")


def test_a_login_of_streamlits_own_shuts_the_door_too():
    assert "T01" not in html(opened({"is_logged_in": False}))


def test_without_login_the_page_opens_as_ever():
    page = opened({})
    assert "Walk to T01 first" in html(page)
    assert "Log out" not in [button.label for button in page.button]

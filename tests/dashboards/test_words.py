"""Who may write on the pages, and what is kept under which name."""

import getpass
from datetime import date
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboards import nights
from runlog.notes import remark_note
from runlog.store import Store

A = {"is_logged_in": True, "email": "A.Miller@example.com", "name": "Anna Miller"}
B = {"is_logged_in": True, "email": "b@example.com", "name": "Bert"}
WRITERS = '\n[dashboard]\nwriters = ["a.miller@example.com"]\n'


def asked() -> None:
    """A page that asks everything, then writes."""
    import data
    import streamlit as st
    import words

    from runlog.errors import RunlogError

    here = data.place()
    st.text(f"{words.who()}|{words.may_write(here)}|{words.why_not(here)}")
    try:
        words.said(here, st.session_state["rows"])
    except RunlogError as error:
        st.text(f"refused: {error}")


@pytest.fixture
def page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    store, site = nights.stored(tmp_path)
    monkeypatch.setenv("RUNLOG_STORE", str(store))
    monkeypatch.setenv("RUNLOG_SITE", str(site))
    plain = site.read_text()

    def run(person: dict, more: str, who: str = "A. Miller") -> tuple[list[str], list[str]]:
        site.write_text(plain + more)
        test = AppTest.from_function(asked, default_timeout=60)
        test.user = person
        row = remark_note("coolant changed", date(2026, 11, 23), nights.site("T02", "T03"), who=who)
        test.session_state["rows"] = row
        test.run()
        assert not test.exception
        notes = Store(store).held("notes").collect()
        return [one.value for one in test.text], notes["who"].to_list()

    return run


def test_without_login_and_list_everybody_writes_under_the_account_of_the_computer(page):
    assert page({}, "") == ([f"{getpass.getuser()}|True|"], ["A. Miller"])


def test_who_is_on_the_list_writes_and_case_does_not_matter(page):
    said, kept = page(A, WRITERS, who="Anna Miller")
    assert (said, kept) == (["Anna Miller|True|"], ["Anna Miller"])


def test_another_name_stands_beside_the_one_of_the_login(page):
    assert page(A, WRITERS, who="Carl")[1] == ["Carl (logged in: A.Miller@example.com)"]


@pytest.mark.parametrize(
    ("person", "why"),
    [
        (B, "b@example.com may read, not write"),
        (B | {"email": "a.miller@example.com", "email_verified": False}, "without a verified e-mail may read"),
        ({"is_logged_in": True, "name": "a.miller@example.com"}, "without a verified e-mail may read"),
        (A | {"is_logged_in": False}, "without a login nobody is known"),
        ({}, "without a login nobody is known"),
    ],
)
def test_nobody_else_writes_whatever_the_page_drew(page, person, why):
    said, kept = page(person, WRITERS)
    assert "|False|" in said[0]
    assert why in said[0]
    assert said[1].startswith("refused: ")
    assert why in said[1]
    assert kept == []


def test_without_a_list_whoever_logs_in_writes(page):
    assert page(B, "", who="Bert")[1] == ["Bert"]


def test_with_a_broken_site_file_nobody_writes(page):
    said, kept = page(A, "\n[dashboard]\nwriters = 3\n")
    assert "|False|Nobody may write until the site file can be read" in said[0]
    assert "writers: 3 found" in said[1]
    assert kept == []

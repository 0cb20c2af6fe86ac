"""The door of the pages: where a login is configured, nobody is let in who has not logged in."""

import os

import pieces
import streamlit as st
from streamlit.errors import Error

LOGIN: str = "RUNLOG_LOGIN"
"""Set where the dashboard was started with a login: should its file be gone, the door stays shut."""


def needs_login() -> bool:
    """Whether a login is asked for."""
    return bool(os.environ.get(LOGIN)) or "is_logged_in" in st.user.to_dict()


def is_open() -> bool:
    """Whether the person at the page may see it."""
    return not needs_login() or st.user.to_dict().get("is_logged_in") is True


def ask() -> None:
    """Ask to log in, and show nothing else."""
    pieces.sentence("Log in to see this dashboard", "Your company's login asks who you are.")
    if st.button("Log in", key="log in", type="primary"):
        try:
            st.login()
        except Error:
            pieces.sentence(
                "The login does not work", "Start `runlog dashboard --login FILE` anew: it says what is wrong."
            )


def person(name: str) -> None:
    """Who is logged in, and the way out."""
    if needs_login():
        with st.container(key="door", horizontal=True, horizontal_alignment="right", vertical_alignment="center"):
            st.text(f"Logged in: {name}", width="content")
            st.button("Log out", key="log out", type="tertiary", on_click=st.logout)

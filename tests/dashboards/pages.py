"""A page as its markup and its plain text."""

from streamlit.testing.v1 import AppTest


def html(page: AppTest) -> str:
    """All markup of the page, and all plain text."""
    return "\n".join([*(one.proto.body for one in page.get("html")), *(one.value for one in page.text)])

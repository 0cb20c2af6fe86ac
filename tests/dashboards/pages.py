"""A page as its markup and its plain text."""

from streamlit.testing.v1 import AppTest


def html(page: AppTest) -> str:
    """All markup of the page, and all plain text."""
    return "\n".join([*(one.proto.body for one in page.get("html")), *(one.value for one in page.text)])


def to_take_away(page: AppTest, *kinds: str) -> list[str]:
    """What of the page can be taken away as files of these kinds."""
    names = [one.proto.label for one in page.get("download_button")]
    return [name for name in names if name.endswith(tuple(f" as {kind}" for kind in kinds))]

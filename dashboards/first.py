"""The first sentence before all else: it stands there while the rest is still to come."""

import time
from typing import Final

import streamlit as st

PAUSE_S: Final = 0.12
"""What a browser takes to draw a sentence, measured. [s]"""
_SEEN: Final = "first sentence seen"


def let_it_be_seen() -> None:
    """Send nothing more until the browser has drawn what it has, when somebody opens the pages.

    Else it draws all at once, after loading what draws charts and tables, which takes twice as long. It does so
    once a visit; after that nothing is to be loaded, and nobody is kept waiting.
    """
    if _SEEN not in st.session_state:
        st.session_state[_SEEN] = True
        time.sleep(PAUSE_S)

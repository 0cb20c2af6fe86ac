"""The dashboard: `runlog dashboard` runs this file."""

import os

import door
import lasting
import links
import polars as pl
import streamlit as st
import theme
import words
from pages_of import PAGES

if not os.environ.get("POLARS_ENGINE_AFFINITY"):
    # Started by hand, not by `runlog dashboard`: small frames, as in `runlog.cli.main`.
    pl.Config.set_engine_affinity("in-memory")
st.set_page_config(page_title="runlog", layout="wide")
st.html(theme.STYLE)
page = st.navigation(PAGES, position="top" if door.is_open() else "hidden")
if door.is_open():
    door.person(words.who())
    page.run()
    links.are_followed([one.url_path for one in PAGES])
    lasting.stays(page.url_path)
else:
    door.ask()

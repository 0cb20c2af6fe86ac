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
page = st.navigation(PAGES, position="top" if door.is_open() else "hidden")
st.set_page_config(page_title=f"{page.title}: runlog" if door.is_open() else "runlog", layout="wide")
st.html(theme.STYLE)
if door.is_open():
    links.are_followed([one.url_path for one in PAGES])
    door.person(words.who())
    page.run()
    lasting.stays(page.url_path)
else:
    door.ask()

"""The dashboard: `runlog dashboard` runs this file."""

import door
import streamlit as st
import theme
import words
from pages_of import PAGES

st.set_page_config(page_title="runlog", layout="wide")
st.html(theme.STYLE)
page = st.navigation(PAGES, position="top" if door.is_open() else "hidden")
if door.is_open():
    door.person(words.who())
    page.run()
else:
    door.ask()

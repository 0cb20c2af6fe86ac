"""The dashboard: `runlog dashboard` runs this file."""

import streamlit as st
import theme
from pages_of import PAGES

st.set_page_config(page_title="runlog", layout="wide")
st.html(theme.STYLE)
st.navigation(PAGES, position="top").run()

"""The dashboard: `runlog dashboard` runs this file."""

import streamlit as st
import theme

st.set_page_config(page_title="Last night · runlog", layout="wide", initial_sidebar_state="collapsed")
st.html(theme.STYLE)
st.navigation([st.Page("last_night.py", title="Last night", default=True)], position="hidden").run()

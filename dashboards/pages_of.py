"""The pages in the order in which a day asks for them; links from one to another name them by these."""

from typing import Final

import streamlit as st

LAST_NIGHT: Final = st.Page("last_night.py", title="Last night", default=True)
WEEK: Final = st.Page("week.py", title="The week", url_path="week")
RELOADS: Final = st.Page("reload_health.py", title="Reload health", url_path="reloads")
TONIGHT: Final = st.Page("tonight.py", title="Tonight", url_path="tonight")
DATA: Final = st.Page("sound.py", title="Is the data sound", url_path="data")

PAGES: Final = [LAST_NIGHT, WEEK, RELOADS, TONIGHT, DATA]

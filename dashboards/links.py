"""Links from page to page, followed by the page that is open: a browser would load all of it anew."""

import json
from collections.abc import Sequence
from typing import Final

import streamlit as st

_FOLLOWED: Final = """<script>
if (window.navigation && !window.followsLinks) {
  window.followsLinks = true;
  const pages = VARPAGES;
  const folder = path => path.slice(0, path.lastIndexOf("/") + 1);
  navigation.addEventListener("navigate", event => {
    const here = location.pathname, to = new URL(event.destination.url).pathname;
    const ofOurs = folder(to) === folder(here) && pages.includes(to.slice(folder(to).length));
    const loads = event.canIntercept && !event.destination.sameDocument && event.navigationType !== "reload";
    const answers = document.querySelector('[data-test-connection-state="CONNECTED"]');
    if (!ofOurs || !loads || !answers) return;
    event.intercept({ focusReset: "manual", handler: async () => {
      const main = document.querySelector('[data-testid="stMain"]');
      main.scrollTo(0, 0);
      main.focus({ preventScroll: true });
      window.dispatchEvent(new PopStateEvent("popstate"));
    } });
  });
}
</script>"""


def are_followed(pages: Sequence[str]) -> None:
    """Have links to the pages followed as the browser's own "back" is: the address changes, and the page is drawn on.

    Where a browser cannot tell that it is about to load a page (the HTML standard's `navigation`), or the server is
    away, it loads it.

    Parameters
    ----------
    pages : sequence of str
        Addresses of the pages, below that of the first, which is "".
    """
    with st.container(key="links"):
        st.html(_FOLLOWED.replace("VARPAGES", json.dumps(list(pages))), unsafe_allow_javascript=True)

"""What a page has loaded stays loaded: nothing is gained by looking through it again and again."""

import gc
from functools import cache


@cache
def stays(page: str) -> None:
    """Leave out of every garbage collection to come what is in memory now, once a page was drawn the first time.

    After each choice Streamlit looks for what nobody needs any more, and sends no page meanwhile. Nearly all it looks
    through are libraries, which takes as long as drawing a page.

    Parameters
    ----------
    page : str
        Its address: each has libraries of its own.
    """
    gc.collect()
    gc.freeze()

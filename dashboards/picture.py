"""A chart as a file that stands by itself: what the page shows, on its paper, of a fixed width."""

import json
import logging
import re
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import polars as pl
from theme import Look

from runlog.errors import RunlogError

Spec = dict[str, Any]

KINDS: Final = {"SVG": "image/svg+xml", "PNG": "image/png"}
"""Kinds of picture and what a browser calls them."""
WIDTH_PX: Final = 900
"""Width of a chart that fills what room it gets on the page."""
MARGIN_PX: Final = 12
WAIT_S: Final = 60
"""How long a picture may take: of two hundred machines it takes a quarter of that."""

_MAKER: Final = Path(__file__).with_name("picture_maker.py")
_NOT_IN_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
PARTS: Final = ("vconcat", "layer")
"""Where a chart has charts within."""


def drawn(spec: Spec, kind: str, look: Look) -> bytes:
    """A chart as the bytes of a picture.

    Parameters
    ----------
    spec : dict
        The chart as Vega-Lite, its data in it.
    kind : str
        One of KINDS.
    look : Look
        In which the page shows it.

    Raises
    ------
    RunlogError
        No picture came of it.
    """
    told = json.dumps(by_itself(spec, look)).encode()
    # In a process of its own: making a picture would hold up every page, and what ends the maker ends nothing else.
    command = [sys.executable, "-P", str(_MAKER), kind]
    try:
        made = subprocess.run(command, input=told, capture_output=True, timeout=WAIT_S, check=False)
    except subprocess.TimeoutExpired:
        raise _failed(f"it took more than {WAIT_S} s. Try again when the computer has less to do.") from None
    except OSError as error:
        raise _failed(str(error)) from None
    if made.returncode or not made.stdout:
        said = made.stderr.decode(errors="replace").strip().splitlines()
        raise _failed(said[-1] if said else f"its maker ended with {made.returncode}")
    return made.stdout


def by_itself(spec: Spec, look: Look) -> Spec:
    """The specification of a chart outside of its page: on its paper, of a fixed width, leading nowhere.

    Parameters
    ----------
    spec : dict
    look : Look
        In which the page shows it.
    """
    told = _leading_nowhere(_legible(spec | _rows_of(spec)))
    if "vconcat" in told:
        # Several charts cannot be made to fit as a whole.
        size: Spec = {"vconcat": [row | {"width": WIDTH_PX} for row in told["vconcat"]]}
    else:
        size = {"width": WIDTH_PX, "autosize": {"type": "fit", "contains": "padding"}}
    return told | size | {"background": look.paper, "padding": MARGIN_PX}


def _rows_of(spec: Spec) -> Spec:
    """Its data as rows: a page has them as frames."""
    apart = spec.get("datasets", {}).items()
    rows = {name: one.to_dicts() if isinstance(one, pl.DataFrame) else one for name, one in apart}
    return {"datasets": rows} if rows else {}


def _legible(told: Any) -> Any:
    """The same with a sign for each character that no XML may hold: logs have some, and the maker ends over one."""
    if isinstance(told, str):
        return _NOT_IN_XML.sub("\ufffd", told)
    if isinstance(told, dict):
        return {name: _legible(one) for name, one in told.items()}
    return [_legible(one) for one in told] if isinstance(told, list) else told


def _leading_nowhere(part: Spec) -> Spec:
    """Without addresses of pages: from a file they lead to somebody else's."""
    own = {name: value for name, value in part.items() if name != "encoding"}
    encoding = {channel: value for channel, value in part.get("encoding", {}).items() if channel != "href"}
    inner = {name: [_leading_nowhere(one) for one in part[name]] for name in PARTS if name in part}
    return own | inner | ({"encoding": encoding} if encoding else {})


def _failed(why: str) -> RunlogError:
    return RunlogError(f"No picture could be made of this chart: {why}")


def _in_a_sentence(record: logging.LogRecord) -> bool:
    """Who asked is told that there is no file; why, Streamlit shows as a traceback where the dashboard runs."""
    error = record.exc_info[1] if record.exc_info else None
    if error is not None and isinstance(error.__cause__, RunlogError):
        record.msg, record.args, record.exc_info = str(error.__cause__), (), None
    return True


logging.getLogger("streamlit.runtime.backend_operation_handler").addFilter(_in_a_sentence)

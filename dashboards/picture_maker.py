"""Make a picture: a Vega-Lite specification comes in as JSON, the bytes of a picture go out. Run by `picture.drawn`."""

import json
import sys
from typing import Any, Final

import vl_convert

SCALE: Final = 2
"""Pixels of a PNG for one of the chart: sharp on a good screen and on paper."""


def made(spec: dict[str, Any], kind: str) -> bytes:
    """A chart as the bytes of a picture.

    Parameters
    ----------
    spec : dict
        From `picture.by_itself`.
    kind : str
        SVG or PNG.
    """
    # No address is allowed: the data is in the specification.
    svg = vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])
    return svg.encode() if kind == "SVG" else vl_convert.svg_to_png(svg, scale=SCALE)


if __name__ == "__main__":
    try:
        sys.stdout.buffer.write(made(json.load(sys.stdin.buffer), sys.argv[1]))
    except ValueError as error:
        sys.exit(" ".join(str(error).split()))

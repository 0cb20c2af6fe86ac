"""The night in slots of equal width, one kind of time each: the strip, for where there is room for characters only."""

from datetime import timedelta
from typing import Final

import polars as pl

from runlog.figures.night import Window
from runlog.schema import INSTANT, SPAN_KINDS

BAR_CHANGE: Final = "bar change"
"""What a slot shows that is production with a reload in it: a reload is too short to fill a slot."""


def slots(strip: pl.DataFrame, window: Window, width: timedelta) -> pl.DataFrame:
    """The night in slots of equal width, each with the kind of time that fills most of it.

    Parameters
    ----------
    strip : DataFrame
        `NightReview.strip`.
    window : Window
    width : timedelta
        Of a slot; the last one is cut off by the end of the window.

    Returns
    -------
    DataFrame
        machine, slot (from 0), kind: one of SPAN_KINDS, or BAR_CHANGE. A slot without a log has no row.
    """
    count = -((window.start - window.end) // width)
    edges = [window.start + width * slot for slot in range(count + 1)]
    every = pl.DataFrame(
        {"slot": range(count), "from": edges[:-1], "to": edges[1:]},
        schema_overrides={"from": INSTANT, "to": INSTANT},
    )
    shared = strip.join(every, how="cross").with_columns(
        shared=pl.min_horizontal("end", "to") - pl.max_horizontal("start", "from")
    )
    filled = (
        shared.filter(pl.col("shared") > timedelta(0))
        .group_by("machine", "slot", "kind")
        .agg(pl.col("shared").sum())
        .sort(
            "machine",
            "slot",
            "shared",
            pl.col("kind").cast(pl.Enum(SPAN_KINDS)),
            descending=[False, False, True, False],
        )
    )
    reloading = (pl.col("kind") == "reloading").any()
    main = pl.col("kind").first()
    return filled.group_by("machine", "slot", maintain_order=True).agg(
        kind=pl.when((main == "producing") & reloading).then(pl.lit(BAR_CHANGE)).otherwise(main)
    )

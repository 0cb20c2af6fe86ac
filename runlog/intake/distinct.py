"""The same observation, told more than once: in a row, within a file, in several files."""

import polars as pl

from runlog.distinct import OBSERVATION
from runlog.intake.vocabulary import FREE_TEXT


def is_unchanged(observations: pl.DataFrame) -> pl.Series:
    """Which rows repeat their item's value directly before them, in file order.

    Heads stay, as do discrete items. Numbers are compared as numbers (`24` is `24.000000`) unless they are names.
    """
    row = observations.select(
        "machine",
        "instance",
        "data_item",
        "item",
        "text",
        "number",
        "code",
        "message",
        "condition_id",
        "discrete",
        "head",
    ).with_row_index("row")
    key = ["machine", "instance", "data_item"]
    row = row.sort(key, maintain_order=True)
    same_item = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift()) for name in key)
    same_text = pl.col("text") == pl.col("text").shift()
    named = pl.col("item").is_in(sorted(FREE_TEXT)) | pl.col("item").str.starts_with("x:")
    same_number = (pl.col("number") == pl.col("number").shift()).fill_null(value=False) & ~named
    rest = ("code", "message", "condition_id")
    same_rest = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift()) for name in rest)
    counts = pl.col("head") | pl.col("discrete")
    first = pl.col("row") == pl.col("row").first()
    unchanged = row.select(
        "row", (same_item & (same_text | same_number) & same_rest & ~counts & ~first).alias("unchanged")
    )
    return unchanged.sort("row")["unchanged"]


def returns(observations: pl.DataFrame) -> pl.Series:
    """The how-manieth return of each row to that value at that stamp, from 0, in file order."""
    key = [name for name in OBSERVATION if name != "nth"]
    row = observations.select(*key).with_row_index("row")
    # Most stamps hold one value an item: number only those that hold more.
    shared = pl.struct("machine", "data_item", "stamped").is_duplicated()
    again = row.filter(shared).with_columns(pl.int_range(pl.len()).over(key).alias("nth")).select("row", "nth")
    return row.select("row", nth=pl.lit(0, pl.Int64)).update(again, on="row")["nth"]

"""The same observation, told more than once: in a row, within a file, in several files."""

import polars as pl

from runlog.distinct import OBSERVATION
from runlog.intake.vocabulary import FREE_TEXT


def is_unchanged(observations: pl.DataFrame) -> pl.Series:
    """Which rows repeat their item's value directly before them, in file order. Needs `key` and `head`.

    Heads stay, as do discrete items. Numbers are compared as numbers (`24` is `24.000000`) unless they are names.
    """
    before = observations.with_row_index("row").select(pl.col("row").shift().over("key")).to_series()
    previous = pl.DataFrame([observations["text"].gather(before), observations["number"].gather(before)])
    same_text = pl.col("text") == pl.lit(previous["text"])
    same_number = pl.col("number") == pl.lit(previous["number"])
    named = pl.col("item").is_in(sorted(FREE_TEXT)) | pl.col("item").str.starts_with("x:")
    counts = pl.col("head") | pl.col("discrete")
    alike = observations.select((~counts & (same_text | (same_number & ~named))).fill_null(value=False)).to_series()
    # Few rows come this far, so the rest of a condition is compared for these only.
    rows = alike.arg_true()
    rest = observations.select("code", "message", "condition_id")
    now, then = rest[rows], rest[before.gather(rows)]
    differs = pl.Series("differs", pl.select(pl.repeat(False, rows.len())).to_series())
    for name in rest.columns:
        differs |= now[name].ne_missing(then[name])
    return alike.scatter(rows.filter(differs), False) if differs.any() else alike


def returns(observations: pl.DataFrame) -> pl.Series:
    """The how-manieth return of each row to that value at that stamp, from 0, in file order. Needs `key`.

    An agent that began anew counts anew, as it does in a file of its own.
    """
    value = ["key", *(name for name in OBSERVATION if name not in ("machine", "data_item", "nth"))]
    # Most stamps hold one value an item: number only those that hold more.
    shared = observations.select(pl.struct("key", "stamped").is_duplicated()).to_series()
    again = observations.filter(shared).select(pl.int_range(pl.len()).over(value)).to_series()
    return pl.repeat(0, observations.height, dtype=pl.Int64, eager=True).scatter(shared.arg_true(), again)

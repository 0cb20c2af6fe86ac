"""Time columns of CSV files, read into UTC: ISO 8601, day first with points, or seconds since 1970.

The common spellings are tried on the whole column; what none of them fits goes the slow way of `stamps`.
"""

from typing import Final

import polars as pl

from runlog.intake.stamps import NO_SUCH_TIME, place_local, read_stamps
from runlog.schema import INSTANT

_NAIVE: Final = (
    "%Y-%m-%dT%H:%M:%S%.f",
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y-%m-%d %H:%M",
    "%Y-%m-%dT%H:%M",
    "%d.%m.%Y %H:%M:%S%.f",
    "%d.%m.%Y %H:%M",
)
_EPOCH: Final = r"^\d{9,19}(\.\d+)?$"
_EXPECTED: Final = "one such as 2026-01-04T21:12:05.123Z"


def read_times(text: pl.Series, zone: str) -> pl.DataFrame:
    """Read the stamps of one machine in file order.

    Parameters
    ----------
    text : pl.Series
        Stamps as written; null where the cell is empty.
    zone : str
        Zone of stamps that carry none.

    Returns
    -------
    pl.DataFrame
        `stamped` (UTC, null where not readable) and `problem` (reason, null where readable).
    """
    stamped = _epoch(text)
    if stamped is None:
        stamped = _clock(text, zone)
    elif stamped.null_count():
        stamped = stamped.zip_with(stamped.is_not_null(), _clock(text.set(stamped.is_not_null(), None), zone))
    read = pl.DataFrame({"stamped": stamped.cast(INSTANT), "found": text})
    if not stamped.null_count():
        return read.select("stamped", pl.lit(None, pl.String).alias("problem"))
    return read.select("stamped", pl.when(pl.col("stamped").is_null()).then(_reasons(text, zone)).alias("problem"))


def _reasons(text: pl.Series, zone: str) -> pl.Series:
    bad = pl.DataFrame({"found": text, "clock": read_stamps(text, zone)["problem"]})
    reason = (
        pl.when(pl.col("found").is_null())
        .then(pl.lit(f"no time found, {_EXPECTED} expected"))
        .when(pl.col("clock") == NO_SUCH_TIME)
        .then(pl.format("time '{}' found, which summer time leaves out; one that exists expected", "found"))
        .otherwise(pl.format("time '{}' found, {} expected", "found", pl.lit(_EXPECTED)))
    )
    return bad.select(reason.alias("problem")).to_series()


def _clock(text: pl.Series, zone: str) -> pl.Series:
    local = _naive(text)
    return (read_stamps(text, zone)["stamped"] if local is None else place_local(local, zone)).cast(INSTANT)


def _epoch(text: pl.Series) -> pl.Series | None:
    """Seconds, or thousandths, millionths, billionths of them, by the number of digits; None for anything else."""
    is_epoch = text.str.contains(_EPOCH)
    if not is_epoch.any():
        return None
    value = pl.col("text")
    whole = value.str.extract(r"^(\d+)").cast(pl.Int64, strict=False)
    micros = (pl.lit("0") + value.str.extract(r"(\.\d+)$")).cast(pl.Float64, strict=False).fill_null(0.0) * 1e6
    digits = value.str.extract(r"^(\d+)").str.len_bytes()
    instant = (
        pl.when(digits <= 11).then(whole * 1_000_000 + micros.round().cast(pl.Int64))
        .when(digits <= 14).then(whole * 1_000 + (micros / 1e3).round().cast(pl.Int64))
        .when(digits <= 16).then(whole)
        .otherwise(whole // 1_000)
    )  # fmt: skip
    frame = pl.DataFrame({"text": text, "is_epoch": is_epoch})
    chosen = pl.when("is_epoch").then(instant).cast(pl.Datetime("us")).dt.replace_time_zone("UTC").cast(INSTANT)
    return frame.select(chosen.alias("stamped")).to_series()


def _naive(text: pl.Series) -> pl.Series | None:
    """Local clock times, where one spelling fits every stamp that can be read at all; else None."""
    first = text.drop_nulls().head(1)
    for spelling in _NAIVE:
        if first.str.to_datetime(spelling, time_unit="us", strict=False).null_count() == 0 and len(first):
            local = text.str.to_datetime(spelling, time_unit="us", strict=False)
            rest = text.filter(local.is_null())
            return local if read_stamps(rest, "UTC")["stamped"].is_null().all() else None
    return None

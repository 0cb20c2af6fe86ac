"""Time stamps as logs write them, read into UTC.

Most are `2026-01-04T21:12:05.123Z` and go one fast way. The rest may have a blank for the `T`, a comma for
the point, any number of fraction digits (rounded to microseconds), an offset, `@duration` after them,
`24:00:00` for the end of a day, a leap second, or no zone at all.
"""

from datetime import UTC, datetime
from typing import Final

import polars as pl

from runlog.schema import INSTANT

MICROSECONDS_SHOWN: Final = len("2026-01-04T21:12:05.123456Z")
_FORM: Final = (
    r"^(?P<date>\d{4}-\d{2}-\d{2})[T ](?P<hour>\d{2}):(?P<minute>\d{2}):(?P<second>\d{2})"
    r"(?:[.,](?P<fraction>\d*))?\s*(?P<zone>[Zz]|[+-]\d{2}:?\d{2})?\s*(?:@.*)?$"
)
SENSIBLE: Final = (datetime(1970, 1, 1), datetime(2200, 1, 1))
"""Clocks that lost their date say year 1 or 9999, and neither can be told in every zone."""

NOT_A_TIME: Final = "time found: not readable, expected one such as 2026-01-04T21:12:05.123Z"
NO_SUCH_TIME: Final = "time found: in the hour that summer time leaves out, expected one that exists"


def read_stamps(text: pl.Series, zone: str, tolerance_s: float = 120.0) -> pl.DataFrame:
    """Read stamps in file order.

    Parameters
    ----------
    text : pl.Series
        Stamps as written, in the order of the file: in the hour that autumn repeats, only order tells.
    zone : str
        Zone of stamps that carry none.
    tolerance_s : float
        A step back further than this, in the repeated hour, begins its second pass. [s]

    Returns
    -------
    pl.DataFrame
        `stamped` (UTC, null where not readable), `problem` (reason, null where readable) and `zoned` (whether
        the stamp carried its zone).

    Examples
    --------
    >>> read_stamps(pl.Series(["2026-01-04 21:12:05,5+01:00"]), "UTC")["stamped"][0].isoformat()
    '2026-01-04T20:12:05.500000+00:00'
    """
    fast = text.str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us", strict=False)
    fast = fast.set((text.str.len_bytes() > MICROSECONDS_SHOWN) | ~fast.is_between(*SENSIBLE), None)
    plain = pl.DataFrame({"stamped": fast.dt.replace_time_zone("UTC")}).with_columns(
        problem=pl.lit(None, pl.String), zoned=pl.lit(True)
    )
    slow = fast.is_null()
    if not slow.any():
        return plain
    rest = _read_slowly(text.filter(slow), zone, tolerance_s)
    at = pl.DataFrame({"row": slow.arg_true()}).hstack(rest)
    return (
        plain.with_row_index("row")
        .update(at.select("row", "stamped", "zoned"), on="row")
        .join(at.select("row", "problem"), on="row", how="left", maintain_order="left", suffix="_found")
        .select("stamped", pl.col("problem_found").alias("problem"), "zoned")
    )


def _read_slowly(text: pl.Series, zone: str, tolerance_s: float) -> pl.DataFrame:
    parts = text.str.strip_chars().str.extract_groups(_FORM).struct.unnest()
    number = {name: pl.col(name).cast(pl.Int64, strict=False) for name in ("hour", "minute", "second")}
    fraction = (pl.lit("0.") + pl.col("fraction").fill_null("")).cast(pl.Float64, strict=False)
    midnight = (number["hour"] == 24) & (number["minute"] == 0) & (number["second"] == 0)
    sound = ((number["hour"] < 24) | midnight) & (number["minute"] < 60) & (number["second"] <= 60)
    local = pl.col("date").str.to_datetime("%Y-%m-%d", time_unit="us", strict=False) + pl.duration(
        hours=number["hour"],
        minutes=number["minute"],
        seconds=number["second"],
        microseconds=fraction.fill_null(0.0).mul(1e6).round().cast(pl.Int64),
        time_unit="us",
    )
    sign = pl.when(pl.col("zone").str.starts_with("-")).then(-1).otherwise(1)
    digits = pl.col("zone").str.replace_all(r"\D", "")
    offset = (
        pl.when(digits.str.len_bytes() == 4)
        .then(
            sign
            * (digits.str.head(2).cast(pl.Int64, strict=False) * 60 + digits.str.tail(2).cast(pl.Int64, strict=False))
        )
        .otherwise(0)
    )
    zoned = pl.col("zone").is_not_null()
    read = parts.with_columns(pl.when(sound).then(local).alias("local"), zoned.alias("zoned")).with_columns(
        (pl.col("local") - pl.duration(minutes=offset)).dt.replace_time_zone("UTC").alias("told")
    )
    placed = place_local(read.select(pl.when("zoned").then(None).otherwise("local")).to_series(), zone, tolerance_s)
    stamped = pl.when("zoned").then("told").otherwise("placed").cast(INSTANT)
    first, last = (limit.replace(tzinfo=UTC) for limit in SENSIBLE)
    stamped = pl.when(stamped.is_between(first, last)).then(stamped)
    return read.with_columns(placed.alias("placed")).select(
        stamped.alias("stamped"),
        pl.when(stamped.is_not_null())
        .then(None)
        .when(~pl.col("zoned") & pl.col("local").is_between(*SENSIBLE))
        .then(pl.lit(NO_SUCH_TIME))
        .otherwise(pl.lit(NOT_A_TIME))
        .alias("problem"),
        pl.col("zoned").fill_null(value=True),
    )


def place_local(local: pl.Series, zone: str, tolerance_s: float = 120.0) -> pl.Series:
    """Local clock times in file order to UTC; null in the hour that spring leaves out.

    In the hour that autumn repeats, stamps belong to the first pass until one steps back by more than
    `tolerance_s`.
    """
    name = "local"
    earliest = pl.col(name).dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    latest = pl.col(name).dt.replace_time_zone(zone, ambiguous="latest", non_existent="null")
    frame = pl.DataFrame({name: local}).with_columns(earliest.alias("earliest"), latest.alias("latest"))
    twice = (pl.col("earliest") != pl.col("latest")).fill_null(value=False)
    if frame.select(twice.any()).item():
        day = pl.col(name).dt.date()
        seen = pl.when(twice).then(name)
        back = (seen.cum_max().over(day) - seen > pl.duration(microseconds=round(tolerance_s * 1e6))).fill_null(
            value=False
        )
        second = back.cum_max().over(day)
        frame = frame.with_columns(pl.when(twice & second).then("latest").otherwise("earliest").alias("earliest"))
    return frame["earliest"].dt.convert_time_zone("UTC").dt.cast_time_unit("us").alias("placed")

"""Time columns of CSV files, read into UTC.

ISO 8601; day, month and year in any order with points, slashes or hyphens; clocks of 12 and of 24 hours; seconds
since 1970 and thousandths or millionths of them; the serial days of spreadsheets. The common spellings are
tried on the whole column; what none of them fits goes the slow way.
"""

from typing import Final, Literal

import polars as pl

from runlog.intake.stamps import NO_SUCH_TIME, SENSIBLE, place_local, read_stamps
from runlog.schema import INSTANT

Order = Literal["any", "day first", "month first", "unsure"]
"""What stamps show of the order of day and month."""

_ZONED: Final = r":\d{2}(?:[.,]\d*)?\s*(?:Z|UTC|GMT|[+-]\d{2}:?\d{2})\s*$"
_NAIVE: Final = (
    "%Y-%m-%dT%H:%M:%S%.f",
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y-%m-%d %H:%M",
    "%Y-%m-%dT%H:%M",
    "%d.%m.%Y %H:%M:%S%.f",
    "%d.%m.%Y %H:%M",
)
_EPOCH: Final = r"^(?:\d{9,13}|\d{15,19})([.,]\d+)?$"
_SERIAL: Final = r"^[2-7]\d{4}[.,]\d+$"
_DAY_ZERO: Final = pl.datetime(1899, 12, 30, time_unit="us")
_CIVIL: Final = (
    r"^(?P<a>\d{1,4})(?P<mark>[./-])(?P<b>\d{1,2})[./-](?P<c>\d{1,4})[T,\s]+"
    r"(?P<hour>\d{1,2})[:.](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,:](?P<fraction>\d+))?)?"
    r"\s*(?P<half>[AaPp])?(?:\.?[Mm]\.?)?\s*(?P<utc>Z|UTC|GMT)?$"
)
_COMPACT: Final = r"^(\d{4})(\d{2})(\d{2})[T_ -]?(\d{2})(\d{2})(\d{2})((?:[.,]\d+)?)$"
_LEAST_TOLD: Final = 12
"""A number above it is no month."""
_EXPECTED: Final = "one such as 2026-01-04T21:12:05.123Z"


def read_times(text: pl.Series, zone: str, *, day_first: bool = True) -> pl.DataFrame:
    """Read the stamps of one machine in file order.

    Parameters
    ----------
    text : pl.Series
        Stamps as written; null where the cell is empty.
    zone : str
        Zone of stamps that carry none.
    day_first : bool
        Whether 03/04 is the third of April; years in front are told without it.

    Returns
    -------
    pl.DataFrame
        `stamped` (UTC, null where not readable) and `problem` (reason, null where readable).
    """
    # polars 2.1 panics where the branches of a `when` come in different chunks.
    text = text.rechunk()
    stamped = _epoch(text)
    if stamped is None:
        stamped = _clock(text, zone, day_first)
    elif stamped.null_count():
        rest = _clock(text.set(stamped.is_not_null(), None), zone, day_first)
        stamped = stamped.zip_with(stamped.is_not_null(), rest)
    read = pl.DataFrame({"stamped": stamped.cast(INSTANT), "found": text})
    if not stamped.null_count():
        return read.select("stamped", pl.lit(None, pl.String).alias("problem"))
    reasons = _reasons(text, zone, day_first)
    return read.select("stamped", pl.when(pl.col("stamped").is_null()).then(reasons).alias("problem"))


def day_comes_first(text: pl.Series) -> tuple[bool, bool]:
    """Whether the day stands before the month, and whether that is sure.

    A number above 12 tells; where there is none, the order in which the stamps lie closer together; where that
    tells nothing either, points and clocks of 24 hours speak for the day, the clock of 12 hours for the month.

    Examples
    --------
    >>> day_comes_first(pl.Series(["03/04/2026 06:00", "03/14/2026 06:00"]))
    (False, True)
    """
    parts = text.unique().drop_nulls().str.strip_chars().str.extract_groups(_CIVIL).struct.unnest()
    parts = parts.filter(pl.col("a").str.len_bytes() <= 2)
    if not parts.height:
        return True, True
    first, second = (parts[name].cast(pl.Int64) for name in ("a", "b"))
    days, months = int((first > _LEAST_TOLD).sum()), int((second > _LEAST_TOLD).sum())
    if days != months:
        return days > months, True
    if (parts["mark"] == ".").all():
        return True, True
    spans = [_span(parts, day_first) for day_first in (True, False)]
    if spans[0] != spans[1]:
        return spans[0] < spans[1], False
    return not bool(parts["half"].count()), False


def carry_their_zone(text: pl.Series) -> bool:
    """Whether every stamp says its zone."""
    return bool(text.str.contains(_ZONED).fill_null(value=True).all())


def date_order(text: pl.Series) -> Order:
    """What these stamps show of the order of day and month; "any" where they read the same in both."""
    parts = text.unique().drop_nulls().str.strip_chars().str.extract_groups(_CIVIL).struct.unnest()
    parts = parts.filter((pl.col("a").str.len_bytes() <= 2) & (pl.col("mark") != "."))
    if not parts.height:
        return "any"
    first, second = (parts[name].cast(pl.Int64) for name in ("a", "b"))
    days, months = int((first > _LEAST_TOLD).sum()), int((second > _LEAST_TOLD).sum())
    if days != months:
        return "day first" if days > months else "month first"
    return "unsure"


def _span(parts: pl.DataFrame, day_first: bool) -> int:
    local = parts.select(_date(day_first)).to_series()
    return int((local.max() - local.min()).days) if local.count() else 0  # type: ignore[union-attr, operator]


def _reasons(text: pl.Series, zone: str, day_first: bool) -> pl.Series:
    bad = pl.DataFrame({"found": text, "clock": read_stamps(text, zone)["problem"]})
    bad = bad.with_columns(_civil(text, day_first).alias("local"))
    reason = (
        pl.when(pl.col("found").is_null())
        .then(pl.lit(f"no time found, {_EXPECTED} expected"))
        .when((pl.col("clock") == NO_SUCH_TIME) | pl.col("local").is_not_null())
        .then(pl.format("time '{}' found, which summer time leaves out; one that exists expected", "found"))
        .otherwise(pl.format("time '{}' found, {} expected", "found", pl.lit(_EXPECTED)))
    )
    return bad.select(reason.alias("problem")).to_series()


def _clock(text: pl.Series, zone: str, day_first: bool) -> pl.Series:
    local = _naive(text)
    if local is not None:
        return place_local(local, zone).cast(INSTANT)
    stamped = read_stamps(text, zone)["stamped"].cast(INSTANT)
    odd = text.set(stamped.is_not_null(), None)
    if not odd.count():
        return stamped
    frame = pl.DataFrame({"text": odd.str.strip_chars(), "local": _civil(odd, day_first)})
    utc = pl.col("text").str.contains(r"(?:Z|UTC|GMT)$")
    told = pl.when(utc).then("local").otherwise(None).dt.replace_time_zone("UTC").cast(INSTANT)
    placed = place_local(frame.select(pl.when(~utc).then("local")).to_series(), zone).cast(INSTANT)
    return frame.select(pl.coalesce(pl.lit(stamped), told, pl.lit(placed)).alias("stamped")).to_series()


def _epoch(text: pl.Series) -> pl.Series | None:
    """Seconds, or thousandths, millionths, billionths of them, by the number of digits; None for anything else."""
    is_epoch = text.str.contains(_EPOCH)
    if not is_epoch.any():
        return None
    value = pl.col("text")
    whole = value.str.extract(r"^(\d+)").cast(pl.Int64, strict=False)
    fraction = value.str.extract(r"([.,]\d+)$").str.replace(",", ".", literal=True)
    micros = (pl.lit("0") + fraction).cast(pl.Float64, strict=False).fill_null(0.0) * 1e6
    digits = value.str.extract(r"^(\d+)").str.len_bytes()
    instant = (
        pl.when(digits <= 11).then(whole * 1_000_000 + micros.round().cast(pl.Int64))
        .when(digits <= 13).then(whole * 1_000 + (micros / 1e3).round().cast(pl.Int64))
        .when(digits <= 16).then(whole)
        .otherwise(whole // 1_000)
    )  # fmt: skip
    frame = pl.DataFrame({"text": text, "is_epoch": is_epoch})
    local = pl.when("is_epoch").then(instant).cast(pl.Datetime("us"))
    sensible = pl.when(local.is_between(*SENSIBLE)).then(local)
    return frame.select(sensible.dt.replace_time_zone("UTC").cast(INSTANT).alias("stamped")).to_series()


def _naive(text: pl.Series) -> pl.Series | None:
    """Local clock times, where one spelling fits every stamp that can be read at all; else None."""
    first = text.drop_nulls().head(1)
    for spelling in _NAIVE:
        if first.str.to_datetime(spelling, time_unit="us", strict=False).null_count() == 0 and len(first):
            local = text.str.to_datetime(spelling, time_unit="us", strict=False)
            local = local.set(~local.is_between(*SENSIBLE), None)
            rest = text.filter(local.is_null())
            if not rest.count():
                return local
            others = read_stamps(rest, "UTC")["stamped"].is_null().all() and _civil(rest, True).is_null().all()
            return local if others else None
    return None


# --- the slow way ------------------------------------------------------------------------------------


def _civil(text: pl.Series, day_first: bool) -> pl.Series:
    """Local clock times in every other spelling; null where it is none, or there is no such day."""
    trimmed = text.str.strip_chars()
    parts = trimmed.str.extract_groups(_CIVIL).struct.unnest().with_columns(trimmed.alias("text"))
    number = {name: pl.col(name).cast(pl.Int64, strict=False) for name in ("hour", "minute", "second")}
    half = pl.col("half").str.to_uppercase()
    hour = pl.when(half.is_null()).then(number["hour"]).otherwise(number["hour"] % 12 + 12 * (half == "P").cast(int))
    second = number["second"].fill_null(0)
    of_clock = (number["hour"] < 24) & (number["minute"] < 60) & (second <= 60)
    of_half = half.is_null() | number["hour"].is_between(1, 12)
    micros = (pl.lit("0.") + pl.col("fraction").fill_null("0")).cast(pl.Float64, strict=False).mul(1e6).round()
    clock = pl.duration(hours=hour, minutes=number["minute"], seconds=second, microseconds=micros.cast(pl.Int64))
    civil = pl.when(of_clock & of_half).then(_date(day_first) + clock)
    local = pl.coalesce(civil, _compact(), _serial()).cast(pl.Datetime("us"))
    return parts.select(pl.when(local.is_between(*SENSIBLE)).then(local).alias("local")).to_series()


def _date(day_first: bool) -> pl.Expr:
    a, b, c = (pl.col(name).cast(pl.Int64, strict=False) for name in "abc")
    ahead = pl.col("a").str.len_bytes() > 2
    day_before = pl.lit(day_first) | (pl.col("mark") == ".")
    year = pl.when(ahead).then(a).when(c < 100).then(c + 2000).otherwise(c)
    month = pl.when(ahead | day_before).then(b).otherwise(a)
    day = pl.when(ahead).then(c).when(day_before).then(a).otherwise(b)
    written = pl.format("{}-{}-{}", year, month, day)
    return written.str.to_datetime("%Y-%m-%d", time_unit="us", strict=False)


def _compact() -> pl.Expr:
    spelt = pl.col("text").str.replace(_COMPACT, "$1-$2-${3}T$4:$5:$6$7")
    spelt = spelt.str.replace(",", ".", literal=True)
    return spelt.str.to_datetime("%Y-%m-%dT%H:%M:%S%.f", time_unit="us", strict=False)


def _serial() -> pl.Expr:
    """Days since the end of 1899; a thousandth of a second is what such a number can hold for sure."""
    told = pl.when(pl.col("text").str.contains(_SERIAL)).then("text").str.replace(",", ".", literal=True)
    milliseconds = (told.cast(pl.Float64, strict=False) * 86_400_000).round().cast(pl.Int64)
    return _DAY_ZERO + pl.duration(milliseconds=milliseconds)

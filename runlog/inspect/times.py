"""How a file writes its times, in words."""

from typing import Final

import polars as pl

_FORMS: Final = (
    (r"^\d{9,11}([.,]\d+)?$", "seconds since 1970"),
    (r"^\d{12,13}([.,]\d+)?$", "thousandths of a second since 1970"),
    (r"^\d{15,16}([.,]\d+)?$", "millionths of a second since 1970"),
    (r"^\d{18,19}$", "billionths of a second since 1970"),
    (r"^[2-7]\d{4}[.,]\d+$", "serial days of a spreadsheet"),
    (r"^\d{4}-\d\d-\d\d[T ][0-9:.,]+\s*([Zz]|[+-]\d\d:?\d\d)", "ISO 8601 with a zone"),
    (r"^\d{4}-\d\d-\d\d[T ]", "ISO 8601 without a zone"),
    (r"^\d{1,2}\.\d{1,2}\.\d{2,4}", "day.month.year, without a zone"),
    (r"^\d{1,2}[/-]\d{1,2}[/-]\d{2,4}", "day or month first, without a zone"),
    (r"^\d{4}[./-]\d{1,2}", "year first, without a zone"),
    (r"^\d{8}[T_ -]?\d{6}", "digits only, year first, without a zone"),
)
_ZONED: Final = r"^\d{9,13}([.,]\d+)?$|^\d{15,19}$|[0-9]\s*(Z|z|UTC|GMT|[+-]\d\d:?\d\d)\s*(@.*)?$"


def form_of(stamps: pl.Series, *, day_first: bool | None) -> str:
    """How most of some stamps are written.

    Examples
    --------
    >>> form_of(pl.Series(["03/14/2026 9:05 PM"]), day_first=False)
    'month first, without a zone, a clock of 12 hours'
    """
    known = stamps.drop_nulls().str.strip_chars().head(1_000)
    counts = [(int(known.str.contains(form).sum()), -n, words) for n, (form, words) in enumerate(_FORMS)]
    most, _, words = max(counts, default=(0, 0, ""))
    if not most:
        return "none that could be read"
    if day_first is not None:
        words = words.replace("day or month first", "day first" if day_first else "month first")
    half = bool(known.str.contains(r"(?i)\d\s*[ap]\.?m\.?").any())
    return f"{words}, a clock of 12 hours" if half else words


def carries_zone(stamps: pl.Series) -> bool:
    """Whether all of some stamps carry their zone, or count from an instant that needs none."""
    known = stamps.drop_nulls().str.strip_chars()
    return bool(len(known)) and bool(known.str.contains(_ZONED).all())

"""Values of the site file, each with the words for what is expected where another was found."""

import math
import re
from collections.abc import Callable
from datetime import date, datetime, time
from functools import lru_cache
from typing import Annotated, Any
from zoneinfo import available_timezones

from pydantic import BeforeValidator, PlainValidator
from pydantic_core import PydanticCustomError


def expected(what: str) -> PydanticCustomError:
    """The error whose message says what should have stood there."""
    return PydanticCustomError("expected", "{what}", {"what": what})


def _number(what: str, fits: Callable[[float], bool]) -> BeforeValidator:
    def check(value: Any) -> float:
        # TOML knows nan and inf, and true is a number to Python.
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or not fits(value):
            raise expected(what)
        return value

    return BeforeValidator(check)


def _above_zero(value: float) -> bool:
    return value > 0


def _not_negative(value: float) -> bool:
    return value >= 0


def _whole(what: str, least: int) -> BeforeValidator:
    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise expected(what)
        return value

    return BeforeValidator(check)


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise expected("a text")
    return value


def _email(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[^@\s]+@[^@\s]+", value):
        raise expected('an e-mail address such as "a@example.com"')
    return value


def _item(value: Any) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"(x:)?[A-Z][A-Z0-9_]*", value):
        raise expected('a standard item in upper case such as "EXECUTION"')
    return value


def _clock(value: Any) -> time:
    try:
        clock = value if isinstance(value, time) else time.fromisoformat(value)
    except (TypeError, ValueError):
        clock = None
    # A clock time of a zone of its own would contradict the site's.
    if clock is None or clock.tzinfo is not None:
        raise expected('a local clock time such as "22:00"')
    return clock


def _day_or_instant(value: Any) -> datetime | date:
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(value) if len(value) == len("2026-12-24") else datetime.fromisoformat(value)
    except (TypeError, ValueError):
        raise expected("a date such as 2026-12-24 or a time such as 2026-12-24T06:00:00") from None


@lru_cache(maxsize=1)
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())


def _zone(value: Any) -> str:
    if not isinstance(value, str) or value not in _zones():
        raise expected('a time zone such as "Europe/Berlin"')
    return value


def _pattern(value: Any) -> str:
    try:
        re.compile(value)
    except (TypeError, re.error):
        raise expected("a text or regular expression") from None
    return value


Seconds = Annotated[float, _number("a time above 0 s", _above_zero)]
SecondsOrZero = Annotated[float, _number("a time of 0 s or more", _not_negative)]
Millimetres = Annotated[float, _number("a length above 0 mm", _above_zero)]
MillimetresOrZero = Annotated[float, _number("a length of 0 mm or more", _not_negative)]
SpeedOrZero = Annotated[float, _number("a speed of 0 rpm or more", _not_negative)]
Density = Annotated[float, _number("a density above 0 kg/dm3", _above_zero)]
Price = Annotated[float, _number("a price of 0 or more", _not_negative)]
Factor = Annotated[float, _number("a factor above 0", _above_zero)]
Share = Annotated[float, _number("a share above 0, up to 1", lambda value: 0 < value <= 1)]
Quantity = Annotated[int, _whole("a whole number of 1 or more", 1)]
Text = Annotated[str, BeforeValidator(_text)]
Email = Annotated[str, BeforeValidator(_email)]
Item = Annotated[str, BeforeValidator(_item)]
Clock = Annotated[time, BeforeValidator(_clock)]
Zone = Annotated[str, BeforeValidator(_zone)]
Pattern = Annotated[str, BeforeValidator(_pattern)]


def _day(value: object) -> date:
    found = _day_or_instant(value)
    if isinstance(found, datetime):
        raise expected("a date such as 2026-12-24")
    return found


LocalDay = Annotated[date, PlainValidator(_day)]
DayOrInstant = Annotated[datetime | date, PlainValidator(_day_or_instant)]
"""Pydantic's own union would try both kinds and report each as a mistake of its own."""

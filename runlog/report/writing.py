"""How values are written for people: texts made harmless, times with their zone, hours and minutes."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from runlog.figures.window import Window


def plain(text: object) -> str:
    """A text from a log, safe to print: what is not printable becomes a space.

    A message could carry the codes that clear a screen or retitle a window.

    Examples
    --------
    >>> plain("Misfeed\\x1b[2J at\\nbar 3")
    'Misfeed [2J at bar 3'
    """
    return "".join(letter if letter.isprintable() else " " for letter in str(text))


def number(value: float, digits: int = 0) -> str:
    """A number with so many decimals, and no minus before a zero.

    Examples
    --------
    >>> number(-0.004, 2), number(1234.5, 1)
    ('0.00', '1234.5')
    """
    return f"{round(value, digits) + 0.0:.{digits}f}"


def duration(seconds: float) -> str:
    """Seconds in the unit people would say them in.

    Examples
    --------
    >>> duration(17624), duration(-138), duration(8.5)
    ('4:54 h', '-2 min', '9 s')
    """
    sign, length = "-" if seconds < 0 else "", abs(seconds)
    if length < 59.5:
        return f"{sign}{length:.0f} s"
    minutes = round(length / 60)
    return f"{sign}{minutes} min" if minutes < 60 else f"{sign}{minutes // 60}:{minutes % 60:02d} h"


@dataclass(frozen=True)
class Clock:
    """Instants as the shop's clock shows them, seen from one night."""

    window: "Window"

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.window.zone)

    @property
    def changes(self) -> bool:
        """The clocks are put forward or back in the window."""
        return self._local(self.window.start).utcoffset() != self._local(self.window.end).utcoffset()

    def _local(self, at: datetime) -> datetime:
        return at.astimezone(self.zone)

    def time(self, at: datetime) -> str:
        """Hours and minutes; with the day outside the night, with the zone where the clocks change."""
        local = self._local(at)
        return f"{self._day(at)}{local:%H:%M}" + (f" {local:%Z}" if self.changes else "")

    def _day(self, at: datetime) -> str:
        if self.window.start <= at <= self.window.end:
            return ""
        near = abs(at - self.window.start) < timedelta(days=6)
        return f"{self._local(at):%a} " if near else f"{self._local(at):%d %b %Y} "

    def full_hour(self, at: datetime) -> str | None:
        """The hour, where the local clock shows a full one."""
        local = self._local(at)
        return f"{local:%H}" if local.minute == 0 else None

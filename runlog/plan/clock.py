"""A start as a person writes it: a clock time, or a date and a time, in the site's zone."""

from datetime import UTC, datetime, time, timedelta
from typing import Final

from runlog.errors import RunlogError
from runlog.site import Site

_EXPECTED: Final = "a clock time such as 22:00 or a time such as 2026-11-23T22:00"


def start_of(text: str, site: Site, now: datetime) -> datetime:
    """The instant of a start.

    Parameters
    ----------
    text : str
        A clock time (the next one of that name), or a date and a time; local unless it carries an offset of its own.
        Of a repeated hour the first counts; an offset names the second.
    site : Site
    now : datetime
        With zone.

    Returns
    -------
    datetime
        UTC.

    Raises
    ------
    RunlogError
        It is neither, or that hour is left out because the clocks are put forward.
    """
    text = text.strip()
    try:
        return _on_date(datetime.fromisoformat(text), text, site)
    except ValueError:
        pass
    try:
        clock = time.fromisoformat(text)
    except ValueError:
        clock = None
    if clock is None or clock.tzinfo is not None:
        raise RunlogError(f"--start {text!r} found, {_EXPECTED} expected")
    today = now.astimezone(site.zone).date()
    try:
        on_day = _on_date(datetime.combine(today, clock), text, site)
    except RunlogError:
        on_day = now - timedelta(days=1)
    return on_day if on_day >= now else _on_date(datetime.combine(today + timedelta(days=1), clock), text, site)


def _on_date(found: datetime, text: str, site: Site) -> datetime:
    if found.tzinfo is not None:
        return found.astimezone(UTC)
    instant = found.replace(tzinfo=site.zone).astimezone(UTC)
    if instant.astimezone(site.zone).replace(tzinfo=None) != found:
        raise RunlogError(
            f"--start {text!r} found, a time that is on the clock expected: {found:%H:%M} is left out on "
            f"{found:%Y-%m-%d} in {site.site.time_zone}"
        )
    return instant

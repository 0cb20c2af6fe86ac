"""What a review of a night tells that an earlier one did not: for a page that is left open.

told = news(before, now)
told.since, told.sentences
"""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import polars as pl

from runlog.figures.night import NightReview


@dataclass(frozen=True)
class News:
    """What is new.

    Attributes
    ----------
    since : str
        Local clock time up to which the earlier review knew the log.
    sentences : list of str
        Machine by machine in the order of the list; none if nothing is.
    """

    since: str
    sentences: list[str]


def news(before: NightReview, now: NightReview) -> News:
    """What is new in a night.

    Parameters
    ----------
    before, now : NightReview
        Of one night.
    """
    zone = ZoneInfo(now.window.zone)
    parts = now.machines.join(before.machines.select("machine", was="parts"), on="machine", how="left").select(
        "machine", more=pl.col("parts") - pl.col("was").fill_null(0)
    )
    begun = now.stops.join(before.stops, on=["machine", "start"], how="anti")
    ended = now.stops.filter(~pl.col("open")).join(before.stops.filter("open"), on=["machine", "start"], how="semi")
    said = {machine: [_parts(more)] if more else [] for machine, more in parts.iter_rows()}
    for machine, at, cause in begun.select("machine", "start", "cause").iter_rows():
        said[machine].append(f"stop at {at.astimezone(zone):%H:%M}, {cause}")
    for machine, at in ended.select("machine", "end").iter_rows():
        said[machine].append(f"stop over at {at.astimezone(zone):%H:%M}")
    since = before.window.log_end.astimezone(zone)
    return News(f"{since:%H:%M}", [f"{machine}: {', '.join(words)}" for machine, words in said.items() if words])


def _parts(more: int) -> str:
    return f"{more:+d} part{'' if abs(more) == 1 else 's'}"

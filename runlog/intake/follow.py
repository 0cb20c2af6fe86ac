"""Reading on where a piece of a file ended: the rules of the whole file, with what is remembered of it before.

Each rule looks back: the two-clocks rule at the highest instant so far, immediate repeats at the last value of the
item, returns at what else is stamped the same. So what is remembered goes in front of the piece, the rule is applied
to both, and what was in front is taken off again.
"""

from collections.abc import Sequence
from datetime import timedelta
from typing import Final

import polars as pl

from runlog.intake.carry import GROUPS, MOST_ITEMS, MOST_RECENT, OBSERVATIONS, WINDOWS, CannotFollowError, Carry
from runlog.intake.clocks import LOST_AFTER, numbered, place
from runlog.intake.distinct import COMPARED, COUNTED, is_unchanged, returns

_LINES: Final = "adapter lines"
_DOCUMENTS: Final = "mtconnect streams"
_NO_GROUPS: Final = pl.DataFrame(schema={**GROUPS, "group": pl.UInt32()})


def carried_on(
    observations: pl.DataFrame, carry: Carry, skew_s: float, zone: str | None, format: str
) -> tuple[pl.DataFrame, pl.Series, pl.Series, pl.DataFrame]:
    """The piece placed in time, which of its rows repeat the value before, the numbers of returns of the rest.

    With these `carry.groups` with the numbers of the groups. `zone` is None if every stamp carries its own.
    CannotFollowError where the whole file is needed.
    """
    named = ["instance"] if "instance" in observations.columns else []
    news = observations.with_columns(pl.col("line") + carry.lines).select(*OBSERVATIONS, *named)
    before = (carry.clocks(), carry.last, carry.recent)
    instance = [pl.lit(carry.instance).alias(name) for name in named]
    parts = (*(frame.with_columns(instance) for frame in before), news)
    together = numbered(pl.concat(parts)).with_columns(pl.lit(False).alias("head"))
    clocks, last, recent, news = _parted(together, [part.height for part in parts])
    groups = carry.groups.with_columns(clocks["group"].head(carry.groups.height))
    _check(news, groups, zone, format)
    placed = place(pl.concat([clocks, news]), skew_s).slice(clocks.height)
    body_start = pl.coalesce("body_start_before", "body_start").alias("body_start")
    started = groups.select("group", pl.col("body_start").alias("body_start_before"))
    placed = placed.join(started, on="group", how="left", maintain_order="left").with_columns(body_start)
    placed = placed.drop("body_start_before")
    unchanged = is_unchanged(_joined(last, news, COMPARED)).slice(last.height)
    nth = returns(_joined(recent, news.select(COUNTED).filter(~unchanged), COUNTED)).slice(recent.height)
    return placed, unchanged, nth, groups


def _joined(before: pl.DataFrame, news: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    return pl.concat([before.select(columns), news.select(columns)])


def _parted(frame: pl.DataFrame, heights: list[int]) -> list[pl.DataFrame]:
    ends = [sum(heights[: count + 1]) for count in range(len(heights))]
    return [frame.slice(end - height, height) for end, height in zip(ends, heights, strict=True)]


def _check(news: pl.DataFrame, groups: pl.DataFrame, zone: str | None, format: str) -> None:
    joined = news.select("group", "stamped").join(groups, on="group", how="left")
    # A machine that first speaks here has a head of its own in adapter lines.
    if format == _LINES and joined["latest"].null_count():
        raise CannotFollowError("a machine not named before")
    if (joined["stamped"] <= joined["since"]).any():
        raise CannotFollowError("stamps older than what is remembered")
    if _steps_back_by_a_day(news, groups):
        raise CannotFollowError("stamps out of order by more than a day")
    if _in_repeated_hour(news["stamped"], zone):
        raise CannotFollowError("stamps in the hour that autumn repeats")


def carry_after(placed: pl.DataFrame, kept: pl.Series, zone: str | None, format: str, instance: str) -> Carry | None:
    """What is remembered after the first piece; None where what comes could still change how it was read.

    Needs `head`, `highest` and `body_start` of the placed rows.
    """
    news = placed.filter(~pl.col("head"))
    heads = placed.filter("head")
    undecided = (
        # Only a step forward shows that the file is not written newest first.
        (format != _DOCUMENTS and not (placed["stamped"].diff() > timedelta(0)).any())
        # A head, or a log that has just begun: what comes tells which.
        or (format == _LINES and not placed["begun"].all())
        or (heads.height and bool(heads["stamped"].max() > news["stamped"].max()))  # type: ignore[operator]
        or _steps_back_by_a_day(news, _NO_GROUPS)
        or _in_repeated_hour(placed["stamped"], zone)
    )
    return None if undecided else remembered(placed, kept, Carry(format, 0, {}, instance), _NO_GROUPS, instance)


def _steps_back_by_a_day(news: pl.DataFrame, groups: pl.DataFrame) -> bool:
    if news["stamped"].is_sorted() and not groups.height:
        return False
    joined = news.select("group", "stamped").join(
        groups.select("group", "latest"), on="group", how="left", maintain_order="left"
    )
    highest = pl.max_horizontal(pl.col("stamped").cum_max().over("group"), "latest")
    return joined.select((highest - pl.col("stamped") > LOST_AFTER).any()).item() or False


def _in_repeated_hour(stamped: pl.Series, zone: str | None) -> bool:
    """Whether any instant is told by a clock time that comes twice: without its zone, only order tells which."""
    if zone is None:
        return False
    hours = stamped.dt.truncate("15m").unique().dt.convert_time_zone(zone).dt.replace_time_zone(None)
    earliest = hours.dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    latest = hours.dt.replace_time_zone(zone, ambiguous="latest", non_existent="null")
    return bool((earliest != latest).any())


def remembered(
    placed: pl.DataFrame, kept: pl.Series, carry: Carry, groups: pl.DataFrame, instance: str
) -> Carry | None:
    """What is remembered after one more piece, of the instance under way; None if it is too much.

    `groups` is `carry.groups` with the numbers of the groups.
    """
    if "instance" in placed.columns:
        own = placed["instance"] == instance
        placed, kept = placed.filter(own), kept.filter(own)
    if instance != carry.instance:
        carry, groups = Carry(carry.format, carry.lines, carry.dialect, instance), _NO_GROUPS
    latest = placed.filter(placed["key"].is_last_distinct()).select(*OBSERVATIONS)
    last = pl.concat([carry.last, latest]).unique(["machine", "data_item"], keep="last", maintain_order=True)
    groups = _groups(placed, groups)
    earliest = groups.select(pl.col("latest").min() - WINDOWS[0]).to_series()
    near = placed["stamped"] > earliest
    stamps = pl.concat([carry.recent, placed.filter(kept & near).select(*OBSERVATIONS)])
    for window in WINDOWS:
        since = pl.max_horizontal(pl.col("latest") - window, pl.col("since"))
        windowed = groups.with_columns(since.alias("since"))
        recent = stamps.join(windowed.select("machine", "since"), on="machine", how="left", maintain_order="left")
        recent = recent.filter(pl.col("stamped") > pl.col("since")).drop("since")
        if recent.height <= MOST_RECENT and last.height <= MOST_ITEMS:
            return Carry(carry.format, carry.lines, carry.dialect, instance, windowed, last, recent)
    return None


def _groups(placed: pl.DataFrame, before: pl.DataFrame) -> pl.DataFrame:
    news = pl.col("stamped").filter(~pl.col("head"))
    now = placed.group_by("group", maintain_order=True).agg(
        pl.col("machine").first(),
        pl.col("body_start").first(),
        pl.col("highest").drop_nulls().last(),
        news.last().alias("before"),
        news.max().alias("latest"),
    )
    latest = pl.max_horizontal("latest", "latest_before").alias("latest")
    since = before.select("group", pl.col("latest").alias("latest_before"), "since")
    now = now.join(since, on="group", how="left", maintain_order="left").with_columns(latest).drop("latest_before")
    silent = before.join(now, on="group", how="anti").select(*GROUPS)
    return pl.concat([silent, now.select(*GROUPS).cast(GROUPS)])

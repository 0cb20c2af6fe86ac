"""How much alarms ask of people: how many, in floods, chattering, and which cause the others.

    load = alarm_load(facts, first=..., last=..., limits=AlarmLimits())
    load.frequent      # the most frequent alarms: count, share, first-out or consequence, chattering
    load.floods        # one row a flood: from, to, alarms, which came first
    load.chattering    # one row a bout of one alarm
    load.leads_to      # which alarm, being first-out, brings which others
    load.machines      # per machine: alarms a day, worst ten minutes, share of time in floods, standing long

Terms as in ISA-18.2 (read about, not read): alarm flood, chattering, stale, first-out. Its usual limits are
parameters, from memory. An alarm that a reconnect merely restates is no new one.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import polars as pl

from runlog.figures.groups import in_shifts
from runlog.figures.window import Facts

WINDOW: Final = timedelta(weeks=13, days=-1)


@dataclass(frozen=True)
class AlarmLimits:
    """What counts as what.

    Attributes
    ----------
    flood_begins : int
        A flood begins with so many alarms of a machine within `flood_minutes`.
    flood_ends : int
        It is over when there are fewer than so many.
    flood_minutes : float
        Both are counted over so long, the end excluded. [min]
    chatter_count : int
        The same alarm of a machine so many times within `chatter_seconds` chatters.
    chatter_seconds : float
        The end excluded: three at 0, 30 and 60 s are within no minute. [s]
    stale_hours : float
        An alarm that stands for longer is stale. [h]
    most_frequent : int
        So many of the most frequent are shown.
    """

    flood_begins: int = 10
    flood_ends: int = 5
    flood_minutes: float = 10.0
    chatter_count: int = 3
    chatter_seconds: float = 60.0
    stale_hours: float = 24.0
    most_frequent: int = 10


ALARM: Final = ("code", "text")
"""What makes an alarm the same on all machines."""
_INSTANT: Final = pl.Datetime("us", "UTC")

FREQUENT: Final = pl.Schema(
    {
        "code": pl.String(),
        "text": pl.String(),
        "cause": pl.String(),
        "level": pl.String(),
        "alarms": pl.Int64(),
        "share": pl.Float64(),
        "machines": pl.Int64(),
        "first_out": pl.Int64(),
        "consequence": pl.Int64(),
        "no_stop": pl.Int64(),
        "chattering": pl.Int64(),
    }
)
FLOODS: Final = pl.Schema(
    {
        "machine": pl.String(),
        "start": _INSTANT,
        "end": _INSTANT,
        "alarms": pl.Int64(),
        "most": pl.Int64(),
        "first_code": pl.String(),
        "first_text": pl.String(),
    }
)
CHATTERING: Final = pl.Schema(
    {
        "machine": pl.String(),
        "code": pl.String(),
        "text": pl.String(),
        "start": _INSTANT,
        "end": _INSTANT,
        "alarms": pl.Int64(),
    }
)
LEADS_TO: Final = pl.Schema(
    {
        "code": pl.String(),
        "text": pl.String(),
        "stops": pl.Int64(),
        "then_code": pl.String(),
        "then_text": pl.String(),
        "alarms": pl.Int64(),
        "stops_with": pl.Int64(),
    }
)
MACHINES: Final = pl.Schema(
    {
        "machine": pl.String(),
        "alarms": pl.Int64(),
        "days": pl.Float64(),
        "a_day": pl.Float64(),
        "most": pl.Int64(),
        "floods": pl.Int64(),
        "flood_s": pl.Float64(),
        "flood_share": pl.Float64(),
        "chattering": pl.Int64(),
        "stale": pl.Int64(),
        "first_out": pl.Int64(),
        "consequence": pl.Int64(),
        "no_stop": pl.Int64(),
    }
)


@dataclass(frozen=True)
class AlarmLoad:
    """What can be said of the alarms of some days.

    Attributes
    ----------
    frequent : pl.DataFrame
        FREQUENT: the most frequent; `first_out`, `consequence` and `no_stop` add up to `alarms`.
    floods, chattering, leads_to, machines : pl.DataFrame
        FLOODS, CHATTERING, LEADS_TO, MACHINES. `most`: alarms within `flood_minutes` at the worst; `days`: of the log
        that were looked at.
    alarms, kinds : int
        How many in all, and of how many kinds.
    first, last : datetime
        Start of the first alarm and of the last; None without any.
    """

    frequent: pl.DataFrame
    floods: pl.DataFrame
    chattering: pl.DataFrame
    leads_to: pl.DataFrame
    machines: pl.DataFrame
    alarms: int
    kinds: int
    first: datetime | None
    last: datetime | None


def alarm_load(
    facts: Facts,
    *,
    first: date | None = None,
    last: date | None = None,
    machine: str | None = None,
    limits: AlarmLimits | None = None,
) -> AlarmLoad:
    """Measure the alarms of a stretch of time.

    Parameters
    ----------
    facts : dict of str to LazyFrame
        The fact tables.
    first, last : date, optional
        Alarms of shifts that start on these days, both included; the last 13 weeks if not given.
    machine : str, optional
        Only this one.
    limits : AlarmLimits, optional
    """
    limit = limits or AlarmLimits()
    only = pl.lit(True) if machine is None else pl.col("machine") == machine
    shifts = facts["shift_plans"].filter(only).select("machine", "shift_date", "shift_start", "shift_end").collect()
    ends = last or _newest(facts, only)
    begins = first or (ends - WINDOW if ends else None)
    within = pl.lit(True)
    if ends is not None and begins is not None:
        within = pl.col("shift_date").is_between(begins, ends)
    rows = in_shifts(facts["alarms"].filter(only & ~pl.col("restated")), facts["shift_plans"], at="start")
    known = _with_rates(_with_parts(rows.filter(within).collect()), limit)
    floods = _floods(known, limit)
    chattering = _chattering(known, limit)
    span = known.select(first=pl.col("start").min(), last=pl.col("start").max()).row(0)
    return AlarmLoad(
        frequent=_frequent(known, chattering).head(limit.most_frequent),
        floods=floods,
        chattering=chattering,
        leads_to=_leads_to(known),
        machines=_machines(known, floods, chattering, shifts.filter(within), _horizons(facts, only), limit),
        alarms=known.height,
        kinds=known.select(ALARM).n_unique() if known.height else 0,
        first=span[0],
        last=span[1],
    )


def _newest(facts: Facts, only: pl.Expr) -> date | None:
    """Date of the newest shift in which a machine was heard of."""
    heard = facts["shift_figures"].filter(only & (pl.col("pbt_s") > pl.col("no_signal_s")))
    return heard.select(pl.col("shift_date").max()).collect().item()


def _horizons(facts: Facts, only: pl.Expr) -> pl.DataFrame:
    """machine, from, to: the time that its log speaks of."""
    spans = facts["spans"].filter(only).group_by("machine")
    return spans.agg(pl.col("start").min().alias("from"), pl.col("end").max().alias("to")).collect()


def _with_parts(rows: pl.DataFrame) -> pl.DataFrame:
    """Add `part`: first-out of its stop, consequence in a stop, or alarm of no stop."""
    return rows.sort("machine", "start").with_columns(
        part=pl.when("first_out")
        .then(pl.lit("first_out"))
        .when(pl.col("stop").is_not_null())
        .then(pl.lit("consequence"))
        .otherwise(pl.lit("no_stop"))
    )


def _with_rates(rows: pl.DataFrame, limit: AlarmLimits) -> pl.DataFrame:
    """Add `recent` and `repeats`: alarms of the machine, and of the same kind there, within the time up to each."""
    if not rows.height:
        return rows.with_columns(recent=pl.lit(0, pl.Int64), repeats=pl.lit(0, pl.Int64))
    whole, kind = ("machine",), ("machine", *ALARM)
    return rows.with_columns(
        recent=_within(timedelta(minutes=limit.flood_minutes), whole),
        repeats=_within(timedelta(seconds=limit.chatter_seconds), kind),
    )


def _within(time: timedelta, key: tuple[str, ...]) -> pl.Expr:
    """How many of a key came within the time up to each, itself included; of those at one instant the earlier ones."""
    later = pl.len().over(*key, "start") - pl.int_range(pl.len()).over(*key, "start") - 1
    one = pl.col("start").is_not_null().cast(pl.Int64)
    return one.rolling_sum_by("start", time, closed="right").over(key).cast(pl.Int64) - later


def _floods(rows: pl.DataFrame, limit: AlarmLimits) -> pl.DataFrame:
    """From the first alarm of the first full count until fewer than `flood_ends` are left within the time."""
    width = pl.duration(microseconds=round(limit.flood_minutes * 6e7))
    # Before the alarm itself there were one fewer: with as few as that the flood was over.
    begins, is_over = pl.col("recent") >= limit.flood_begins, pl.col("recent") <= limit.flood_ends
    state = pl.when(begins).then(1).when(is_over).then(0)
    at_begin = pl.col("number") - pl.col("recent").cast(pl.Int64) + 1
    marked = (
        rows.with_columns(number=pl.int_range(pl.len()).over("machine"))
        .with_columns(flooded=state.forward_fill().over("machine").fill_null(0) == 1, begun_at=at_begin)
        .with_columns(
            anew=pl.col("flooded") & (is_over | ~pl.col("flooded").shift(1, fill_value=False).over("machine"))
        )
        .with_columns(run=pl.col("anew").cast(pl.Int64).cum_sum().over("machine"))
    )
    runs = (
        marked.filter("flooded")
        .group_by("machine", "run", maintain_order=True)
        .agg(
            begun_at=pl.col("begun_at").first(),
            last=pl.col("number").last(),
            most=pl.col("recent").max(),
        )
        .with_columns(alarms=pl.col("last") - pl.col("begun_at") + 1)
        # It ends when only the newest few are left within the time.
        .with_columns(left=(pl.col("last") - limit.flood_ends + 1).clip(lower_bound=0))
    )
    by_number = marked.select("machine", "number", "start", "code", "text")
    return (
        runs.join(by_number.rename({"number": "begun_at"}), on=["machine", "begun_at"])
        .join(by_number.select("machine", left="number", left_at="start"), on=["machine", "left"])
        .with_columns(end=pl.col("left_at") + width, first_code="code", first_text="text")
        .sort("start", "machine")
        .select(*FLOODS)
        .cast(FLOODS)  # type: ignore[arg-type]
    )


def _chattering(rows: pl.DataFrame, limit: AlarmLimits) -> pl.DataFrame:
    """Bouts: the same alarm again and again, each within the time of the one before, full count at least once."""
    key = ("machine", *ALARM)
    near = timedelta(seconds=limit.chatter_seconds)
    gap = pl.col("start") - pl.col("start").shift(1)
    return (
        rows.sort(*key, "start")
        .with_columns(bout=(gap >= near).fill_null(True).cast(pl.Int64).cum_sum().over(key))
        .group_by(*key, "bout", maintain_order=True)
        .agg(
            pl.col("start").first(),
            end=pl.col("start").last(),
            alarms=pl.len(),
            fullest=pl.col("repeats").max(),
        )
        .filter(pl.col("fullest") >= limit.chatter_count)
        .sort("start", "machine")
        .select(*CHATTERING)
        .cast(CHATTERING)  # type: ignore[arg-type]
    )


def _frequent(rows: pl.DataFrame, chattering: pl.DataFrame) -> pl.DataFrame:
    bouts = chattering.group_by(ALARM).agg(chattering=pl.len())
    parts = {name: (pl.col("part") == name).sum() for name in ("first_out", "consequence", "no_stop")}
    return (
        rows.group_by(ALARM, maintain_order=True)
        .agg(
            pl.col("cause").first(),
            # FAULT before WARNING, by the alphabet.
            level=pl.col("level").min(),
            alarms=pl.len(),
            machines=pl.col("machine").n_unique(),
            **parts,
        )
        .with_columns(share=pl.col("alarms") / pl.col("alarms").sum())
        .join(bouts, on=ALARM, how="left", nulls_equal=True)
        .with_columns(pl.col("chattering").fill_null(0))
        .sort("alarms", "code", "text", descending=[True, False, False], nulls_last=True)
        .select(*FREQUENT)
        .cast(FREQUENT)  # type: ignore[arg-type]
    )


def _leads_to(rows: pl.DataFrame) -> pl.DataFrame:
    """First-outs and the alarms that came up in their stops, the most frequent pair first."""
    stop = ["machine", "stop"]
    firsts = rows.filter(pl.col("part") == "first_out").unique(stop, keep="first", maintain_order=True)
    stops = firsts.group_by(ALARM).agg(stops=pl.len())
    then = rows.filter(pl.col("part") == "consequence").select(*stop, then_code="code", then_text="text")
    return (
        firsts.select(*stop, *ALARM)
        .join(then, on=stop)
        .group_by(*ALARM, "then_code", "then_text")
        .agg(alarms=pl.len(), stops_with=pl.struct(stop).n_unique())
        .join(stops, on=ALARM, nulls_equal=True)
        .sort("stops_with", "alarms", "code", "then_code", descending=[True, True, False, False], nulls_last=True)
        .select(*LEADS_TO)
        .cast(LEADS_TO)  # type: ignore[arg-type]
    )


def _machines(
    rows: pl.DataFrame,
    floods: pl.DataFrame,
    chattering: pl.DataFrame,
    shifts: pl.DataFrame,
    horizons: pl.DataFrame,
    limit: AlarmLimits,
) -> pl.DataFrame:
    stale = timedelta(hours=limit.stale_hours)
    looked = (
        shifts.group_by("machine")
        .agg(begin=pl.col("shift_start").min(), until=pl.col("shift_end").max())
        .join(horizons, on="machine")
        .select(
            "machine",
            "to",
            seconds=_seconds(pl.min_horizontal("until", "to") - pl.max_horizontal("begin", "from")).clip(lower_bound=0),
        )
    )
    parts = {name: (pl.col("part") == name).sum() for name in ("first_out", "consequence", "no_stop")}
    counted = (
        rows.join(looked.select("machine", "to"), on="machine")
        .group_by("machine")
        .agg(
            alarms=pl.len(),
            most=pl.col("recent").max(),
            stale=(pl.coalesce("end", "to") - pl.col("start") > stale).sum(),
            **parts,
        )
    )
    flooded = floods.group_by("machine").agg(floods=pl.len(), flood_s=_seconds(pl.col("end") - pl.col("start")).sum())
    bouts = chattering.group_by("machine").agg(chattering=pl.len())
    joined = looked
    for one in (counted, flooded, bouts):
        joined = joined.join(one, on="machine", how="left")
    days = pl.col("seconds") / 86_400
    told = joined.with_columns(pl.exclude("machine", "to").fill_null(0)).with_columns(
        days=days,
        a_day=pl.when(days > 0).then(pl.col("alarms") / days),
        flood_share=pl.when(days > 0).then(pl.col("flood_s") / pl.col("seconds")),
    )
    ordered = told.sort("alarms", "machine", descending=[True, False])
    return ordered.select(*MACHINES).cast(MACHINES)  # type: ignore[arg-type]


def _seconds(length: pl.Expr) -> pl.Expr:
    return length.dt.total_microseconds() / 1e6

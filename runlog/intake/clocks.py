"""Two clocks in one file, and what stands at its head.

A control stamps its values, the collector stamps the loss of signal, and their clocks differ by seconds to
minutes. Sorted by stamp alone, an outage can end before it began, and the machine then counts as stopped for
days. So the order of the file is kept where stamps contradict it by little. Per file and machine (agent
documents: per instance of the agent):

* *Head* (adapter lines only): the lines before any key repeats restate older values. They keep their stamp. Several
  active conditions of one key, stated one after the other, are no repeat. Where no key repeats at all, a file of at
  least `SNAPSHOT_KEYS` keys is a snapshot, all head: an idle day's file, whose lines, were they news, would
  bring back stamps that another file has already set right. A shorter one is a log that has just begun, all body.
* *Body*: a stretch starts at the first line and wherever a stamp is more than the clock skew below the stamp
  before. Within a stretch, what is stamped below the highest instant so far by at most the skew takes that instant.
* *Lost stamps*: out of order by more than a day, and more than a day outside the span of the body. The span reaches
  from the middle one of the first few stamps to that of the last few, and holds all but the outer twentieth on each
  side.
* A file that never steps forward, at least twice back and further than the skew in all, is written newest
  first and read from its end.
"""

from typing import Final

import polars as pl

SNAPSHOT_KEYS: Final = 8
LOST_AFTER: Final = pl.duration(days=1)
_FEW: Final = 9
_ACTIVE: Final = ("WARNING", "FAULT")


def numbered(observations: pl.DataFrame) -> pl.DataFrame:
    """Add `group` (what shares its clocks: machine and instance) and `key` (group and data item) as numbers."""
    parts = [observations["machine"], observations["data_item"]]
    if "instance" in observations.columns:
        parts.append(observations["instance"])
    several = [part for part in (parts[0], *parts[2:]) if part.n_unique() > 1]
    group, key = pl.lit(0, pl.UInt32), parts[1]
    if several:
        name = several[0] if len(several) == 1 else several[0] + "\0" + several[1]
        group, key = _number(name), name + "\0" + key
    return observations.with_columns(group.alias("group"), _number(key).alias("key"))


def _number(names: pl.Series) -> pl.Series:
    return names.cast(pl.Categorical).to_physical().cast(pl.UInt32)


def written_newest_first(observations: pl.DataFrame, skew_s: float) -> bool:
    """Whether a file runs backwards throughout."""
    steps = observations.select(pl.col("stamped").diff().dt.total_microseconds().alias("step")).drop_nulls()["step"]
    if not steps.len() or (steps > 0).any():
        return False
    return int((steps < 0).sum()) >= 2 and -int(steps.sum()) > skew_s * 1e6


def from_the_end(observations: pl.DataFrame) -> pl.DataFrame:
    """Turn a file written newest first around; lines then count from its end."""
    turned = observations.with_columns((pl.col("line").max() + 1 - pl.col("line")).alias("line"))
    return turned.sort("line", "cell", maintain_order=True)


def mark_heads(observations: pl.DataFrame) -> pl.DataFrame:
    """Add `head`, see above, and `begun`: whether any key of the group repeats. Needs `group` and `key`."""
    restated = (
        pl.col("level").is_in(_ACTIVE)
        & pl.col("level").shift().is_in(_ACTIVE)
        & (pl.col("key") == pl.col("key").shift())
        & (pl.col("condition_id") != pl.col("condition_id").shift())
    )
    repeats = ~pl.col("key").is_first_distinct() & ~restated.fill_null(value=False)
    body_from = observations.filter(repeats).group_by("group").agg(pl.col("line").min().alias("body_from"))
    keys = observations.group_by("group").agg(pl.col("key").n_unique().alias("keys"))
    snapshot = pl.col("body_from").is_null() & (pl.col("keys") >= SNAPSHOT_KEYS)
    head = (pl.col("line") < pl.col("body_from")).fill_null(value=False) | snapshot
    return (
        observations.join(keys.join(body_from, on="group", how="left"), on="group", how="left", maintain_order="left")
        .with_columns(head.alias("head"), pl.col("body_from").is_not_null().alias("begun"))
        .drop("keys", "body_from")
    )


def lost_stamps(observations: pl.DataFrame) -> pl.Series:
    """Which stamps lie more than a day outside the span of their file's body, and out of order."""
    stamped = pl.col("stamped")
    body = observations.filter(~pl.col("head"))
    heads = observations.filter("head")
    latest = body["stamped"].last()
    if not body.height or (body["stamped"].is_sorted() and not (heads["stamped"] > latest).any()):
        return pl.repeat(False, observations.height, dtype=pl.Boolean, eager=True)
    few = (pl.len() // 4).clip(1, _FEW)
    ordered = stamped.sort()
    inner = pl.len() // 20
    first, last = stamped.head(few).sort().get((few - 1) // 2), stamped.tail(few).sort().get(few // 2)
    low, high = pl.min_horizontal(first, last), pl.max_horizontal(first, last)
    outer = (
        pl.when(inner > 0).then(ordered.get(inner)),
        pl.when(inner > 0).then(ordered.get(pl.len() - 1 - inner)),
    )
    span = body.group_by("group").agg(
        pl.min_horizontal(low, outer[0]).alias("low"), pl.max_horizontal(high, outer[1]).alias("high")
    )
    news = pl.when(~pl.col("head")).then(stamped)
    before, after = news.cum_max().over("group"), news.cum_min(reverse=True).over("group")
    unordered = (before - stamped > LOST_AFTER) | (stamped - after > LOST_AFTER)
    far = (stamped > pl.col("high") + LOST_AFTER) | (~pl.col("head") & (stamped < pl.col("low") - LOST_AFTER))
    joined = observations.join(span, on="group", how="left", maintain_order="left")
    return joined.select((far & unordered).fill_null(value=False).alias("lost")).to_series()


def place(observations: pl.DataFrame, skew_s: float) -> pl.DataFrame:
    """Add `at`, `body_start` and `highest`, the highest instant so far; see above. Needs `head`, in file order.

    A row without `line` remembers where the clocks stood: it begins no stretch.
    """
    skew = pl.duration(microseconds=round(skew_s * 1e6))
    news = pl.when(~pl.col("head")).then("stamped")
    # Where a file is all head, its newest stamp stands in: it is then at least as late as any of its rows.
    start = pl.coalesce(news.drop_nulls().first().over("group"), pl.col("stamped").max().over("group"))
    frame = observations.with_columns(start.alias("body_start"), news.alias("news"))
    if not skew_s or frame["news"].is_sorted():
        return frame.with_columns(pl.col("stamped").alias("at")).rename({"news": "highest"})
    before = pl.col("news").shift().forward_fill().over("group")
    back = (before - pl.col("news") > skew).fill_null(value=False) & pl.col("line").is_not_null()
    frame = frame.with_columns(back.cum_sum().over("group").alias("stretch"))
    frame = frame.with_columns(pl.col("news").cum_max().over("group", "stretch").alias("highest"))
    moves = (pl.col("highest") - pl.col("news") <= skew).fill_null(value=False)
    at = pl.when(moves).then("highest").otherwise("stamped")
    return frame.with_columns(at.alias("at")).drop("news", "stretch")

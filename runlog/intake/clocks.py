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
* *Lost stamps*: out of order, and more than a day outside the span of the body. The span reaches from the
  middle one of the first few stamps to that of the last few, and holds all but the outer twentieth on each side.
* A file that never steps forward, at least twice back and further than the skew in all, is written newest
  first and read from its end.
"""

from typing import Final

import polars as pl

from runlog.intake.vocabulary import CONDITION

SNAPSHOT_KEYS: Final = 8
LOST_AFTER: Final = pl.duration(days=1)
_FEW: Final = 9
_ACTIVE: Final = ("WARNING", "FAULT")

GROUP: Final = ("machine", "instance")


def written_newest_first(observations: pl.DataFrame, skew_s: float) -> bool:
    """Whether a file runs backwards throughout."""
    steps = observations.select(pl.col("stamped").diff().dt.total_microseconds().alias("step")).drop_nulls()["step"]
    if not steps.len() or (steps > 0).any():
        return False
    return int((steps < 0).sum()) >= 2 and -int(steps.sum()) > skew_s * 1e6


def from_the_end(observations: pl.DataFrame, rows: int) -> pl.DataFrame:
    """Turn a file written newest first around; lines then count from its end."""
    turned = observations.with_columns((rows + 1 - pl.col("line")).alias("line"))
    return turned.sort("line", "cell", maintain_order=True)


def mark_heads(observations: pl.DataFrame) -> pl.DataFrame:
    """Add `head`; see above."""
    key = pl.struct(*GROUP, "data_item") if _several(observations) else pl.col("data_item")
    before = pl.col("data_item").shift()
    restated = (
        (pl.col("item") == CONDITION)
        & pl.col("level").is_in(_ACTIVE)
        & pl.col("level").shift().is_in(_ACTIVE)
        & (pl.col("data_item") == before)
        & (pl.col("condition_id") != pl.col("condition_id").shift())
    )
    repeats = ~key.is_first_distinct() & ~restated.fill_null(value=False)
    body_from = observations.filter(repeats).group_by(GROUP).agg(pl.col("line").min().alias("body_from"))
    keys = observations.group_by(GROUP).agg(pl.col("data_item").n_unique().alias("keys"))
    ends = keys.join(body_from, on=GROUP, how="left", nulls_equal=True)
    snapshot = pl.col("body_from").is_null() & (pl.col("keys") >= SNAPSHOT_KEYS)
    head = (pl.col("line") < pl.col("body_from")).fill_null(value=False) | snapshot
    return (
        observations.join(ends, on=GROUP, how="left", nulls_equal=True, maintain_order="left")
        .with_columns(head.alias("head"))
        .drop("keys", "body_from")
    )


def lost_stamps(observations: pl.DataFrame) -> pl.Series:
    """Which stamps lie more than a day outside the span of their file's body, and out of order."""
    stamped = pl.col("stamped")
    body = observations.filter(~pl.col("head"))
    if not body.height or body["stamped"].is_sorted():
        late = observations["stamped"] > body["stamped"].max() if body.height else None
        if late is None or not late.any():
            return pl.repeat(False, observations.height, eager=True, dtype=pl.Boolean)
    few = (pl.len() // 4).clip(1, _FEW)
    ordered = stamped.sort()
    inner = pl.len() // 20
    first, last = stamped.head(few).sort().get((few - 1) // 2), stamped.tail(few).sort().get(few // 2)
    low, high = pl.min_horizontal(first, last), pl.max_horizontal(first, last)
    outer = (
        pl.when(inner > 0).then(ordered.get(inner)),
        pl.when(inner > 0).then(ordered.get(pl.len() - 1 - inner)),
    )
    span = body.group_by(GROUP).agg(
        pl.min_horizontal(low, outer[0]).alias("low"), pl.max_horizontal(high, outer[1]).alias("high")
    )
    news = pl.when(~pl.col("head")).then(stamped)
    unordered = (stamped < news.cum_max().over(GROUP)) | (stamped > news.cum_min(reverse=True).over(GROUP))
    far = (stamped > pl.col("high") + LOST_AFTER) | (~pl.col("head") & (stamped < pl.col("low") - LOST_AFTER))
    joined = observations.join(span, on=GROUP, how="left", nulls_equal=True, maintain_order="left")
    return joined.select((far & unordered).fill_null(value=False).alias("lost")).to_series()


def place(observations: pl.DataFrame, skew_s: float) -> pl.DataFrame:
    """Add `at` and `body_start`; see above. Needs `head`, in file order."""
    skew = pl.duration(microseconds=round(skew_s * 1e6))
    news = pl.when(~pl.col("head")).then("stamped")
    group = GROUP if _several(observations) else ()
    # Where a file is all head, its newest stamp stands in: it is then at least as late as any of its rows.
    start = pl.coalesce(_per(news.drop_nulls().first(), group), _per(pl.col("stamped").max(), group))
    frame = observations.with_columns(start.alias("body_start"), news.alias("news"))
    if not skew_s or frame["news"].is_sorted():
        return frame.with_columns(pl.col("stamped").alias("at")).drop("news")
    before = _per(pl.col("news").shift().forward_fill(), group)
    back = (before - pl.col("news") > skew).fill_null(value=False)
    frame = frame.with_columns(_per(back.cum_sum(), group).alias("stretch"))
    highest = pl.col("news").cum_max().over(*group, "stretch")
    moves = (highest - pl.col("news") <= skew).fill_null(value=False)
    at = pl.when(moves).then(highest).otherwise("stamped")
    return frame.with_columns(at.alias("at")).drop("news", "stretch")


def _several(observations: pl.DataFrame) -> bool:
    return observations.select(pl.struct(GROUP).n_unique()).item() > 1


def _per(expr: pl.Expr, group: tuple[str, ...]) -> pl.Expr:
    return expr.over(group) if group else expr

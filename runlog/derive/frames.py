"""Small questions asked of frames of instants and intervals, each vectorised over machines.

Intervals are [start, end); those of one machine in one frame never overlap. Every function takes and
gives LazyFrames with a `machine` column. Most frames are in order of machine and instant already: `ordered` sorts only
those that are not, and `before` and `after` look at the rows beside each one in such a frame.
"""

from functools import partial
from typing import Literal

import polars as pl

BY = "machine"


def ordered(frame: pl.LazyFrame, *by: str) -> pl.LazyFrame:
    """The frame sorted, rows that are equal as they were; costs next to nothing where it is so already."""
    return frame.map_batches(partial(_ordered, by=by))


def _ordered(rows: pl.DataFrame, by: tuple[str, ...]) -> pl.DataFrame:
    return rows if _is_ordered(rows, by) else rows.sort(*by, maintain_order=True)


def _is_ordered(rows: pl.DataFrame, by: tuple[str, ...]) -> bool:
    """Whether each row is after the one before, or equal to it; the columns beyond two are asked where these tie."""
    later, same = pl.lit(False), pl.lit(True)
    for name in by[:2]:
        earlier = pl.col(name).shift(1)
        later, same = later | (same & (pl.col(name) > earlier)), same & (pl.col(name) == earlier)
    told = rows.select(fits=later | same, ties=same).slice(1)
    if not told["fits"].fill_null(False).all():
        return False
    ties = told["ties"].arg_true() + 1
    for name in by[2:]:
        own, earlier = rows[name].gather(ties), rows[name].gather(ties - 1)
        if not (own >= earlier).fill_null(False).all():
            return False
        ties = ties.filter(own == earlier)
    return True


def before(value: str | pl.Expr) -> pl.Expr:
    """What the row before has, of the same machine, in a frame ordered by machine; null on a machine's first row."""
    return _beside(value, 1)


def after(value: str | pl.Expr) -> pl.Expr:
    """What the next row has, of the same machine, in a frame ordered by machine; null on a machine's last row."""
    return _beside(value, -1)


def _beside(value: str | pl.Expr, rows: int) -> pl.Expr:
    # `shift` over machines gives the same, for ten times the time: it parts the frame and puts it together again.
    column = pl.col(value) if isinstance(value, str) else value
    return pl.when(pl.col(BY) == pl.col(BY).shift(rows)).then(column.shift(rows))


def tiles(*boundaries: pl.LazyFrame, life: pl.LazyFrame) -> pl.LazyFrame:
    """Cut each machine's life at every boundary.

    Parameters
    ----------
    boundaries : LazyFrame
        Columns machine, at; nulls and instants outside the life are passed over.
    life : LazyFrame
        Columns machine, first, horizon: one row a machine.

    Returns
    -------
    LazyFrame
        machine, start, end: gapless, none empty, sorted.
    """
    ends = [life.select(BY, at=pl.col("first")), life.select(BY, at=pl.col("horizon"))]
    cuts = pl.concat([*(frame.select(BY, "at") for frame in boundaries), *ends])
    return (
        cuts.drop_nulls()
        .join(life, on=BY, maintain_order="left")
        .filter(pl.col("at").is_between("first", "horizon"))
        .select(BY, start=pl.col("at"))
        .pipe(ordered, BY, "start")
        .with_columns(end=after("start"))
        .filter(pl.col("start") < pl.col("end"))
    )


def edges(intervals: pl.LazyFrame, start: str = "start", end: str = "end") -> pl.LazyFrame:
    """Both ends of intervals as boundaries for `tiles`."""
    return pl.concat([intervals.select(BY, at=pl.col(start)), intervals.select(BY, at=pl.col(end))])


def covering(left: pl.LazyFrame, intervals: pl.LazyFrame, *columns: str | pl.Expr, at: str = "start") -> pl.LazyFrame:
    """Add to each row the columns of the interval that holds its instant; null where none does."""
    holder = intervals.select(BY, pl.col("start").alias("_start"), pl.col("end").alias("_end"), *columns)
    names = [name for name in holder.collect_schema().names() if name not in {BY, "_start", "_end"}]
    inside = pl.col("_end").is_null() | (pl.col(at) < pl.col("_end"))
    return (
        last_before(left, holder.rename({"_start": "_at"}), at=at, right="_at")
        .with_columns(pl.when(inside & pl.col("_at").is_not_null()).then(pl.col(name)).alias(name) for name in names)
        .drop("_at", "_end")
    )


def inside(left: pl.LazyFrame, intervals: pl.LazyFrame, name: str, at: str = "start") -> pl.LazyFrame:
    """Add a flag: the row's instant lies in one of the intervals."""
    return covering(left, intervals, pl.lit(True).alias(name), at=at).with_columns(pl.col(name).fill_null(False))


def last_before(
    left: pl.LazyFrame, right_frame: pl.LazyFrame, *, at: str = "at", right: str = "at", strict: bool = False
) -> pl.LazyFrame:
    """Join to each row the latest row of the other frame not after it (`strict`: before it)."""
    return _nearest(left, right_frame, at, right, "backward", strict)


def first_after(
    left: pl.LazyFrame, right_frame: pl.LazyFrame, *, at: str = "at", right: str = "at", strict: bool = False
) -> pl.LazyFrame:
    """Join to each row the earliest row of the other frame not before it (`strict`: after it)."""
    return _nearest(left, right_frame, at, right, "forward", strict)


def _nearest(
    left: pl.LazyFrame,
    right_frame: pl.LazyFrame,
    at: str,
    right: str,
    strategy: Literal["backward", "forward"],
    strict: bool,
) -> pl.LazyFrame:
    # Of rows at one instant the last given counts, so their order must survive the sorting.
    return ordered(left, BY, at).join_asof(
        ordered(right_frame, BY, right),
        left_on=at,
        right_on=right,
        by=BY,
        strategy=strategy,
        allow_exact_matches=not strict,
        check_sortedness=False,
        coalesce=False,
    )


def merged(tiled: pl.LazyFrame, *same: str) -> pl.LazyFrame:
    """Join adjoining rows that agree in the columns `same`."""
    begins = pl.any_horizontal(
        [pl.col(name).ne_missing(pl.col(name).shift(1)) for name in (BY, *same)]
        + [pl.col("start").ne_missing(pl.col("end").shift(1))]
    )
    return stretches(ordered(tiled, BY, "start"), begins).select(BY, *same, "start", "end")


def stretches(rows: pl.LazyFrame, begins: pl.Expr) -> pl.LazyFrame:
    """Join rows from each that begins a stretch to the one before the next that does.

    Parameters
    ----------
    rows : LazyFrame
        machine, start, end, in order.
    begins : Expr
        Whether a stretch begins with a row; a machine's first always does.

    Returns
    -------
    LazyFrame
        The first row of each stretch, with the end of its last.
    """
    return (
        rows.with_columns(_begins=begins, _ended=pl.col("end").shift(1), _last=pl.col("end").last())
        .filter("_begins")
        .with_columns(end=pl.col("_ended").shift(-1, fill_value=pl.col("_last").last()))
        .drop("_begins", "_ended", "_last")
    )


def seconds(duration: pl.Expr) -> pl.Expr:
    """A duration as seconds, exact to the microsecond. [s]"""
    return of_us(duration.dt.total_microseconds())


def of_us(microseconds: pl.Expr) -> pl.Expr:
    """Whole microseconds as seconds. [s]"""
    return divided(microseconds, 1e6)


def divided(number: pl.Expr, by: float) -> pl.Expr:
    """A quotient rounded once, so that it is the same in every frame.

    Dividing a column by a lone number, polars multiplies by the reciprocal, which rounds twice; but not in a frame of
    one row. A divisor of the column's own length is divided by.
    """
    return number / (number * 0 + by)


def duration(seconds_column: pl.Expr) -> pl.Expr:
    """Seconds as a duration, rounded to the microsecond."""
    return (seconds_column * 1e6).round().cast(pl.Int64).cast(pl.Duration("us"))


def held(frame: pl.LazyFrame) -> pl.LazyFrame:
    """Compute now what several later steps read, so that none of them computes it again."""
    # Dozens of small frames: starting the streaming engine for each takes as long again as the work.
    return frame.collect(engine="in-memory").lazy()


def held_all(*frames: pl.LazyFrame) -> list[pl.LazyFrame]:
    """The same for frames that do not need each other, side by side."""
    return [frame.lazy() for frame in pl.collect_all(frames, engine="in-memory")]


class RunningClock:
    """A clock per machine that runs only during some intervals; tells its reading and the way back.

    Parameters
    ----------
    intervals : LazyFrame
        machine, start, end: when it runs.
    """

    def __init__(self, intervals: pl.LazyFrame) -> None:
        length = (pl.col("end") - pl.col("start")).dt.total_microseconds()
        self._ticks = held(
            intervals.select(BY, "start", "end")
            .filter(pl.col("end") > pl.col("start"))
            .pipe(ordered, BY, "start")
            .select(
                BY,
                _tick_from=pl.col("start"),
                _upto=pl.col("end"),
                _before=(length.cum_sum().over(BY) - length),
            )
        )

    def read(self, left: pl.LazyFrame, at: str, name: str) -> pl.LazyFrame:
        """Add the clock's reading [us] at an instant column."""
        ran = (pl.min_horizontal(at, "_upto") - pl.col("_tick_from")).dt.total_microseconds()
        return (
            last_before(left, self._ticks, at=at, right="_tick_from")
            .with_columns((pl.col("_before") + ran).fill_null(0).alias(name))
            .drop("_tick_from", "_upto", "_before")
        )

    def instant(self, left: pl.LazyFrame, reading: str, name: str) -> pl.LazyFrame:
        """Add the instant at which the clock reached a reading [us]; null where it never started."""
        gone = pl.duration(microseconds=pl.col(reading) - pl.col("_before"))
        return (
            last_before(left, self._ticks, at=reading, right="_before", strict=True)
            .with_columns(pl.min_horizontal(pl.col("_tick_from") + gone, "_upto").alias(name))
            .drop("_tick_from", "_upto", "_before")
        )

"""Frames about the data as people read them: columns named in words with their unit, local clock times as text."""

from typing import Final

import polars as pl

from runlog.figures.soundness import Days, floor_percent

RAW_AT_MOST: Final = 200
"""Letters of a rejected text that are shown; the file to take away has all."""


def sources(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """One row a source; with `planned_h` and `silent` where the site file says what is planned."""
    judged = "planned_h" in rows.columns
    silence = pl.when("silent").then(pl.lit("silent")).when(pl.col("planned_h").is_not_null()).then(pl.lit("heard of"))
    return rows.select(
        "source",
        *([silence.otherwise(pl.lit("not judged")).alias("state")] if judged else []),
        _clock("last_event", zone).alias("last event"),
        _hours("lag_s").alias("lag [h]"),
        *([pl.col("planned_h").round(1).alias("of it planned [h]")] if judged else []),
        "rejects",
        "files",
        pl.col("last_file").alias("last file"),
        _clock("last_read", zone).alias("read"),
        pl.col("offered").alias("values"),
    )


def coverage(rows: pl.DataFrame) -> pl.DataFrame:
    """One row a machine."""
    return rows.select(
        "machine",
        _percent("coverage").alias("covered [%]"),
        (pl.col("coverage_flag") * 100).round(1).alias("limit [%]"),
        pl.when("thin").then(pl.lit("below its limit")).otherwise(pl.lit("enough")).alias("verdict"),
        pl.col("thin_days").alias("days below it"),
        pl.col("days").alias("days planned"),
        _hours("no_signal_s").alias("without signal [h]"),
        _hours("pbt_s").alias("planned [h]"),
    )


def gaps(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Stretches without signal."""
    return rows.select(
        "machine",
        _clock("start", zone).alias("from"),
        _clock("end", zone).alias("to"),
        (pl.col("seconds") / 60).round(1).alias("length [min]"),
    )


def remarks(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """What was remarked of files."""
    return rows.select(
        "source",
        pl.col("kind").alias("what"),
        pl.col("remark").alias("in words"),
        "files",
        pl.col("path").alias("last file"),
        _clock("first_at", zone).alias("from"),
        _clock("last_at", zone).alias("to"),
    )


def clock_steps(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Where stamps step back."""
    return rows.select(
        "source",
        "machine",
        pl.col("path").alias("file"),
        "line",
        _clock("before", zone).alias("stamp before"),
        _clock("after", zone).alias("stamp after"),
        (pl.col("back_s") / 60).round(1).alias("back [min]"),
    )


def reasons(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Rejects by reason."""
    return rows.select(
        "source",
        "reason",
        "rejects",
        "files",
        _clock("last_read", zone).alias("last read"),
        _short("example").alias("the last one"),
    )


def rejects(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Rejects with their place and text."""
    return rows.select(
        "source",
        pl.col("path").alias("file"),
        "line",
        "reason",
        _short("raw").alias("text"),
        _clock("read_at", zone).alias("read"),
    )


def unmapped(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Alarm codes without a cause."""
    more = pl.when(pl.col("wordings") > 1).then(pl.format(" (and {} more wordings)", pl.col("wordings") - 1))
    return rows.select(
        pl.col("code").fill_null("no code"),
        (pl.col("text").fill_null("") + more.otherwise(pl.lit(""))).alias("words"),
        "stops",
        pl.col("hours").round(2).alias("stood [h]"),
        "alarms",
        pl.col("level").str.to_lowercase(),
        "machines",
        _clock("last_at", zone).alias("last"),
    )


def effect(rows: pl.DataFrame) -> pl.DataFrame:
    """What a rule changes."""
    return rows.select(
        pl.col("cause_before").alias("cause now"),
        pl.col("cause_after").alias("cause then"),
        "stops",
        pl.col("hours").round(2).alias("stood [h]"),
        "alarms",
    )


def lacking(rows: pl.DataFrame) -> pl.DataFrame:
    """What is not told by the log of each machine."""
    return rows.filter(pl.col("follows") != "").select(
        "machine", "need", "state", pl.col("how").alias("known by"), pl.col("follows").alias("so")
    )


# --- findings of charts in a sentence ------------------------------------------------------------


def coverage_words(told: pl.DataFrame, days: Days) -> str:
    """What the strip of coverage shows."""
    thin = told.filter("thin").sort("coverage")
    span = f"Share of planned time with signal by machine and day, {days.first} to {days.last}: "
    if thin.is_empty():
        return span + "none below its limit"
    worst = thin.row(0, named=True)
    lowest = f"the lowest {worst['machine']} from {worst['day']} with {floor_percent(worst['coverage'])}"
    return f"{span}{len(thin)} below their limit, {lowest}"


def reason_words(rows: pl.DataFrame) -> str:
    """What the bars of rejects show."""
    first = rows.row(0, named=True)
    return f"Rejects by reason: {rows['rejects'].sum()} in all, most ({first['rejects']}) {first['reason']}"


def tells_words(rows: pl.DataFrame) -> str:
    """What the matrix of needs shows."""
    counts = rows.filter(pl.col("follows") != "").group_by("need").len().sort("len", "need", descending=[True, False])
    total = rows["machine"].n_unique()
    said = ", ".join(f"{need} at {number}" for need, number in counts.head(3).iter_rows())
    return f"What the log of each of {total} machines tells; not told most often: {said or 'nothing'}"


def _clock(name: str, zone: str) -> pl.Expr:
    return pl.col(name).dt.convert_time_zone(zone).dt.strftime("%Y-%m-%d %H:%M:%S")


def _hours(name: str) -> pl.Expr:
    return (pl.col(name) / 3600).round(1)


def _percent(name: str) -> pl.Expr:
    # Rounded down: what misses a limit must not be shown as meeting it.
    return (pl.col(name) * 1000).floor() / 10


def _short(name: str) -> pl.Expr:
    text = pl.col(name)
    return pl.when(text.str.len_chars() > RAW_AT_MOST).then(text.str.head(RAW_AT_MOST) + "...").otherwise(text)

"""Frames as people read them: columns named in words with their unit, local clock times as text."""

import polars as pl
import polars.selectors as cs
from charts import line_words

from runlog.figures.night import NightReview


def machines(review: NightReview) -> pl.DataFrame:
    """One row a machine, the first to walk to on top."""
    return review.machines.select(
        "rank",
        "machine",
        pl.col("finding").alias("what happened"),
        pl.col("jobs").alias("job"),
        pl.col("parts").alias("made"),
        pl.col("good_parts").alias("good"),
        pl.col("planned_parts").floor().cast(pl.Int64).alias("planned"),
        pl.col("limit").alias("plan bound by"),
        pl.col("hours_lost").round(2).alias("lost [standard h]"),
        _yes("standing_now").alias("standing now"),
        _clock("stopped_at", review).alias("run ended"),
        pl.col("run_h").round(2).alias("ran [h]"),
        pl.col("planned_h").round(2).alias("planned [h]"),
        (pl.col("coverage") * 100).round(1).alias("log covers [%]"),
        _clock("run_out_at", review).alias("bars planned to run out"),
        pl.col("bars_held").alias("bars at the start"),
        pl.col("bars_basis").alias("bars: how known"),
        pl.col("bar_changes").alias("bar changes"),
        pl.col("remnant_mm").round(0).alias("remnants [mm]"),
        pl.col("planned_remnant_mm").round(0).alias("remnants planned [mm]"),
        pl.col("remnant_basis").alias("remnants: how known"),
        pl.col("not_measured").alias("not measured"),
    )


def stops(review: NightReview) -> pl.DataFrame:
    """Stops that touch the night."""
    return review.stops.select(
        "machine",
        _clock("start", review).alias("from"),
        _clock("end", review).alias("to"),
        (pl.col("duration_s") / 60).round(1).alias("length [min]"),
        "cause",
        pl.col("code").alias("first alarm"),
        pl.col("text").alias("its words"),
        pl.col("consequences").alias("alarms after it"),
        pl.col("consequence_codes").alias("their codes"),
        _yes("night_ending").alias("ended the run"),
        _yes("open").alias("still standing"),
        _yes("minor").alias("minor"),
        pl.col("named_by").alias("cause named by"),
        pl.when(pl.col("named_by").is_not_null()).then("log_cause").alias("cause by the log"),
        "job",
    )


def reloads(review: NightReview) -> pl.DataFrame:
    """Bar changes begun in the night."""
    return review.reloads.select(
        "machine",
        _clock("start", review).alias("from"),
        "outcome",
        pl.col("duration_s").round(0).alias("took [s]"),
        pl.col("planned_s").alias("planned [s]"),
        "attempts",
        pl.col("first_out_code").alias("first alarm"),
        pl.col("first_out_text").alias("its words"),
        pl.col("bar_position").alias("bar number since filling"),
        pl.col("lot").alias("bar lot"),
        "liner",
        "pusher",
        "material",
        pl.col("diameter_mm").alias("diameter [mm]"),
        pl.col("evidence").alias("seen by"),
        _yes("hand_load").alias("loaded by hand"),
        "job",
    )


def events(around: pl.DataFrame, zone: str) -> pl.DataFrame:
    """The log around a stop."""
    return around.select(
        pl.col("at").dt.convert_time_zone(zone).dt.strftime("%a %H:%M:%S").alias("clock"),
        pl.col("after_s").round(1).alias("after its start [s]"),
        pl.concat_str("code", "words", separator=" ", ignore_nulls=True).alias("alarm"),
        "signal",
        "value",
    )


def time(review: NightReview) -> pl.DataFrame:
    """Where planned time went."""
    return review.time.select(
        "machine",
        line_words().alias("time went to"),
        (pl.col("seconds") / 60).round(1).alias("time [min]"),
        pl.col("parts").round(1).alias("in parts"),
    )


def strip(review: NightReview) -> pl.DataFrame:
    """What each machine did when, cut to the night."""
    return review.strip.select(
        "machine",
        _clock("start", review).alias("from"),
        _clock("end", review).alias("to"),
        pl.col("kind").alias("did"),
        "cause",
        (pl.col("seconds") / 60).round(1).alias("length [min]"),
    )


def line(review: NightReview) -> pl.DataFrame:
    """Parts made and planned up to an instant, as they are drawn over the clock."""
    return review.line.select(
        "machine",
        _clock("at", review).alias("clock"),
        pl.col("made").cast(pl.Int64),
        pl.col("planned").round(1),
    )


def for_reading(table: pl.DataFrame) -> pl.DataFrame:
    """What is not known as an empty cell rather than a word."""
    return table.with_columns(cs.string().fill_null(""))


def _clock(name: str, review: NightReview) -> pl.Expr:
    return pl.col(name).dt.convert_time_zone(review.window.zone).dt.strftime("%a %H:%M:%S")


def _yes(name: str) -> pl.Expr:
    return pl.when(name).then(pl.lit("yes")).otherwise(pl.lit(""))

"""Findings in plain words, written as expressions so that a whole column is said at once."""

import polars as pl

from runlog.schema import OUTCOMES


def machine_sentence(zone: str, *, days: bool = False) -> pl.Expr:
    """What happened to a machine in one sentence, from the columns of `figures.night`; `days` names the weekday."""
    made = pl.format("made {} of {} planned", "parts", pl.col("planned_parts").floor().cast(pl.Int64))
    parts = pl.coalesce(made, pl.format("made {} parts, no plan for its job", "parts"))
    standing = pl.when("standing_now").then(pl.lit("; still standing")).otherwise(pl.lit(""))
    return pl.concat_str([ending(zone, days=days), pl.lit("; "), parts, standing])


def ending(zone: str, *, days: bool = False) -> pl.Expr:
    """How the machine's run ended, without its numbers."""
    clock = "%a %H:%M" if days else "%H:%M"
    at = pl.col("stopped_at").dt.convert_time_zone(zone).dt.strftime(clock)
    alarm = pl.concat_str(
        [
            pl.lit(" ("),
            pl.concat_str([pl.col("code"), pl.col("text")], separator=" ", ignore_nulls=True),
            pl.lit(")"),
        ]
    )
    told = pl.when(pl.col("code").is_not_null() | pl.col("text").is_not_null()).then(alarm).otherwise(pl.lit(""))
    cause = pl.col("cause").fill_null("cause unknown")
    more = (
        pl.when(pl.col("consequences") == 1)
        .then(pl.lit(", 1 more alarm followed"))
        .when(pl.col("consequences") > 1)
        .then(pl.format(", {} more alarms followed", "consequences"))
        .otherwise(pl.lit(""))
    )
    ended = pl.col("ended_by")
    return (
        pl.when((ended == "not started") & (pl.col("coverage") == 0))
        .then(pl.lit("nothing in the log"))
        .when(ended == "not started")
        .then(pl.lit("not started"))
        .when(ended == "stop")
        .then(pl.format("stopped at {}: {}{}{}", at, cause, told, more))
        .when(ended == "out of bars")
        .then(pl.format("out of bars at {}{}", at, told))
        .when(ended == "order complete")
        .then(pl.format("order complete at {}", at))
        .when(ended == "no signal")
        .then(pl.format("signal lost at {}, not known since", at))
        .when(ended == "visit")
        .then(pl.lit("ran until somebody came"))
        .when(ended == "still running")
        .then(pl.lit("running at the end of the log"))
        .otherwise(pl.lit("ran through"))
    )


def bar_changes() -> pl.Expr:
    """Bar changes by outcome, "none" without any, from their counts."""
    counted = [pl.when(pl.col(one) > 0).then(pl.format("{} {}", one, pl.lit(one))) for one in OUTCOMES]
    said = pl.concat_str(counted, separator=", ", ignore_nulls=True)
    return pl.when(said == "").then(pl.lit("none")).otherwise(said)


def not_measured() -> pl.Expr:
    """What the log of a machine could not tell, comma separated; empty if nothing is missing."""
    lost = 1 - pl.col("coverage")
    gaps = {
        "quality": pl.col("good_parts").is_null(),
        "plan: no job known for its program": pl.col("planned_parts").is_null(),
        "remnant length (inferred from the plan)": (pl.col("remnant_basis") != "measured").fill_null(False),
        "part times (counter skipped)": (pl.col("in_batch") > 0).fill_null(False),
        "part counter (programs counted)": pl.col("part_evidence")
        .str.contains("program completed|active stretch")
        .fill_null(False),
        "bars in the magazine (taken as full)": (pl.col("bars_basis") == "magazine").fill_null(False),
        "spindle speed": pl.col("main_utilisation").is_null(),
    }
    said = [pl.when(missing).then(pl.lit(what)) for what, missing in gaps.items()]
    signal = pl.when(lost > 0).then(
        pl.format("{} min without signal", (lost * pl.col("pbt_s") / 60).round().cast(pl.Int64))
    )
    return pl.concat_str([signal, *said], separator=", ", ignore_nulls=True)

"""Frames of reload health as people read them: columns named in words with their unit, local clock times as text."""

from typing import Any, Final
from urllib.parse import urlencode

import polars as pl
import streamlit as st

NIGHT: Final = "its night"
"""Column that leads to the review of a night."""


def night_links() -> dict[str, Any]:
    """How that column is shown: the date, leading to the night."""
    return {NIGHT: st.column_config.LinkColumn(display_text=r"night=(\d{4}-\d\d-\d\d)")}


def groups(rows: pl.DataFrame, *, of_reloads: bool) -> pl.DataFrame:
    """Verdicts of one dimension, the clearest first."""
    per = "per 100" if of_reloads else "per 100 h"
    unrated = [pl.col("unrated").alias("empty, unclear")] if "unrated" in rows.columns else []
    return rows.select(
        "group",
        "verdict",
        "faults",
        pl.col("chances").round(0).alias("reloads" if of_reloads else "run [h]"),
        *unrated,
        pl.col("rate").round(1).alias(per),
        _limits("low", "high", 1).alias("95 % limits"),
        pl.col("rest_rate").round(1).alias("all others"),
        pl.format("{} of {}", "units_with_fault", "units").alias("shifts with a fault"),
        pl.col("through").alias("only through"),
        pl.col("sentence").alias("in words"),
    )


def reloads(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Reloads of a group."""
    return rows.select(
        "machine",
        clock("start", zone).alias("began"),
        "outcome",
        night_link().alias(NIGHT),
        pl.col("duration_s").round(0).alias("took [s]"),
        pl.col("planned_s").alias("planned [s]"),
        "attempts",
        pl.col("first_out_code").alias("first alarm"),
        pl.col("first_out_text").alias("its words"),
        pl.col("lot").alias("bar lot"),
        "liner",
        "pusher",
        "material",
        pl.col("diameter_mm").alias("diameter [mm]"),
        pl.col("bar_position").alias("bar number since filling"),
        pl.col("run_hour").round(1).alias("hour of the run [h]"),
        "job",
    )


def stops(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Stops of a group."""
    return rows.select(
        "machine",
        clock("start", zone).alias("from"),
        (pl.col("duration_s") / 60).round(1).alias("length [min]"),
        "cause",
        night_link().alias(NIGHT),
        pl.col("code").alias("first alarm"),
        pl.col("text").alias("its words"),
        pl.col("consequences").alias("alarms after it"),
        pl.when("night_ending").then(pl.lit("yes")).otherwise(pl.lit("")).alias("ended the run"),
        "job",
        pl.col("named_by").alias("cause named by"),
    )


def trends(rows: pl.DataFrame) -> pl.DataFrame:
    """Tests for a trend, a row a machine and clock."""
    return rows.select(
        pl.col("scope").replace("all", "all machines").alias("of"),
        pl.col("clock").alias("over"),
        "verdict",
        pl.col("faults").alias("shifts with a fault"),
        pl.col("laplace").round(2).alias("Laplace"),
        pl.col("laplace_p").round(3).alias("p (Laplace)"),
        pl.col("handbook").round(1).alias("Military Handbook"),
        pl.col("handbook_p").round(3).alias("p (Handbook)"),
        pl.col("slope").round(2).alias("slope (1: neither)"),
        _limits("slope_low", "slope_high", 2).alias("95 % limits"),
    )


def steps(rows: pl.DataFrame, *, of_reloads: bool) -> pl.DataFrame:
    """Machines that may have changed on a day."""
    per = "per 100" if of_reloads else "per 100 h"
    return rows.select(
        "machine",
        "verdict",
        pl.col("date").cast(pl.String).alias("from"),
        "shift",
        pl.col("rate_before").round(1).alias(f"before [{per}]"),
        pl.col("rate_after").round(1).alias(f"after [{per}]"),
        pl.format("{} of {}", "shifts_with_fault_before", "shifts_before").alias("shifts with a fault before"),
        pl.format("{} of {}", "shifts_with_fault_after", "shifts_after").alias("after"),
        pl.col("p").round(3).alias("p"),
    )


def durations(rows: pl.DataFrame) -> pl.DataFrame:
    """How long reloads of each machine and job took."""
    percent = {"against_plan": "of plan [%]", "before": "before [%]", "after": "after [%]"}
    return rows.select(
        "machine",
        "job",
        "verdict",
        pl.col("direction").alias("longer or shorter"),
        "reloads",
        "shifts",
        pl.col("median_s").round(0).alias("median [s]"),
        pl.col("planned_s").alias("planned [s]"),
        *((100 * pl.col(name)).round(0).alias(said) for name, said in percent.items()),
        pl.col("since").cast(pl.String).alias("since"),
        pl.col("noticed").cast(pl.String).alias("noticed"),
        pl.col("noticed_by").alias("noticed by"),
    )


def fixes(checks: pl.DataFrame, zone: str) -> pl.DataFrame:
    """What was done, and what changed with it."""
    return checks.select(
        "verdict",
        "machine",
        pl.col("at").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%d").alias("day"),
        pl.col("text").alias("what was done"),
        "against",
        pl.format("{} in {} {}", "faults_before", pl.col("chances_before").round(0).cast(pl.Int64), "chances").alias(
            "before"
        ),
        pl.format("{} in {} {}", "faults_after", pl.col("chances_after").round(0).cast(pl.Int64), "chances").alias(
            "after"
        ),
        pl.col("ratio").round(2).alias("times the rate"),
        _limits("ratio_low", "ratio_high", 2).alias("95 % limits"),
        pl.col("sentence").alias("in words"),
    )


def frequent(rows: pl.DataFrame) -> pl.DataFrame:
    """The most frequent alarms."""
    return rows.select(
        "code",
        pl.col("text").alias("alarm"),
        "cause",
        "alarms",
        (100 * pl.col("share")).round(0).alias("share [%]"),
        "machines",
        pl.col("first_out").alias("came first"),
        pl.col("consequence").alias("as a consequence"),
        pl.col("no_stop").alias("without a stop"),
        pl.col("chattering").alias("times it chattered"),
    )


def leads_to(rows: pl.DataFrame) -> pl.DataFrame:
    """Which alarm brings which others."""
    return rows.select(
        pl.col("code").alias("first alarm"),
        pl.col("text").alias("its words"),
        pl.col("then_code").alias("then came"),
        pl.col("then_text").alias("its words "),
        pl.format("{} of {}", "stops_with", "stops").alias("in stops"),
        "alarms",
    )


def floods(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Alarm floods."""
    return rows.select(
        "machine",
        clock("start", zone).alias("from"),
        clock("end", zone).alias("to"),
        "alarms",
        pl.col("most").alias("most in the time"),
        pl.col("first_code").alias("first alarm"),
        pl.col("first_text").alias("its words"),
    )


def chattering(rows: pl.DataFrame, zone: str) -> pl.DataFrame:
    """Bouts of one alarm."""
    return rows.select(
        "machine", "code", pl.col("text").alias("alarm"), clock("start", zone).alias("from"),
        clock("end", zone).alias("to"), "alarms",
    )  # fmt: skip


def alarm_machines(rows: pl.DataFrame) -> pl.DataFrame:
    """Alarms of each machine."""
    return rows.select(
        "machine",
        "alarms",
        pl.col("a_day").round(1).alias("a day"),
        pl.col("most").alias("most in the time"),
        "floods",
        (100 * pl.col("flood_share")).round(2).alias("time in floods [%]"),
        pl.col("chattering").alias("bouts of chattering"),
        pl.col("stale").alias("stood too long"),
    )


def clock(name: str, zone: str) -> pl.Expr:
    """A local clock time as text."""
    return pl.col(name).dt.convert_time_zone(zone).dt.strftime("%a %Y-%m-%d %H:%M:%S")


def night_link() -> pl.Expr:
    """The address of the review of a machine's night; null where an instant was in none."""
    coded = pl.col("machine").map_batches(lambda names: _addresses(names), return_dtype=pl.String)
    return pl.when(pl.col("night").is_not_null()).then(pl.format("./?night={}&{}", "night", coded))


def night_address(night: str, machine: str) -> str:
    """The same for one."""
    return "./?" + urlencode({"night": night, "machine": machine})


def _addresses(names: pl.Series) -> pl.Series:
    known = names.unique()
    return names.replace_strict(known, pl.Series([urlencode({"machine": name}) for name in known], dtype=pl.String))


def _limits(low: str, high: str, digits: int) -> pl.Expr:
    return pl.when(pl.col(low).is_not_null()).then(
        pl.format("{} to {}", pl.col(low).round(digits), pl.col(high).round(digits))
    )

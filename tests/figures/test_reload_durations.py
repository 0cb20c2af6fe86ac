"""Reload times against plan: steady, a step, a drift, another job. Made of drawn times, so seeds are fixed."""

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from figures.nights import DAY, facts, night

from runlog.figures.reload_durations import judged, reload_durations

SHIFTS, RELOADS = 60, 8


def reloads(machine: str, job: str, factor, *, seed: int = 1, every: int = 1, planned: float = 40.0) -> pl.DataFrame:
    """Reloads of sixty shifts; `factor` of a shift's number is the mean share of the planned time."""
    rng = np.random.default_rng(seed)
    rows = [
        {
            "machine": machine,
            "job": job,
            "shift_date": date(2026, 3, 2) + timedelta(days=shift),
            "shift": "night",
            "start": DAY + timedelta(days=shift, minutes=5 * number),
            "duration_s": planned * factor(shift) * float(rng.uniform(0.85, 1.2)),
            "planned_s": planned,
        }
        for shift in range(0, SHIFTS, every)
        for number in range(RELOADS)
    ]
    return pl.DataFrame(rows, schema_overrides={"start": pl.Datetime("us", "UTC")})


def verdict(*rows: pl.DataFrame) -> list[dict]:
    return judged(pl.concat(rows))[0].to_dicts()


def test_a_machine_that_goes_on_as_it_did_is_steady():
    series, points = judged(reloads("T01", "pin", lambda shift: 1.0))
    row = series.row(0, named=True)
    assert (series.height, row["verdict"], row["reloads"], row["shifts"]) == (1, "steady", 480, 60)
    assert row["against_plan"] == pytest.approx(1.02, abs=0.03)
    assert "no change that chance would not make as well" in row["sentence"]
    assert points.filter(pl.col("job") == "pin").height == 60
    assert (points["ewma"].abs() < points["ewma_limit"]).all()


def test_a_step_is_told_with_its_day():
    (row,) = verdict(reloads("T01", "pin", lambda shift: 1.0 if shift < 40 else 1.3))
    assert (row["verdict"], row["direction"]) == ("step", "longer")
    assert abs((row["since"] - date(2026, 4, 11)).days) <= 1  # the 41st shift
    assert date(2026, 4, 11) <= row["noticed"] <= date(2026, 4, 14)
    assert row["after"] / row["before"] == pytest.approx(1.3, abs=0.05)


def test_a_drift_is_no_step():
    (row,) = verdict(reloads("T01", "pin", lambda shift: 1 + 0.4 * shift / SHIFTS))
    assert (row["verdict"], row["direction"]) == ("drift", "longer")
    assert row["before"] < 1.15 < 1.3 < row["after"]
    assert "little by little" in row["sentence"]


def test_shorter_is_told_as_well():
    (row,) = verdict(reloads("T01", "pin", lambda shift: 1.0 if shift < 30 else 0.7))
    assert (row["verdict"], row["direction"]) == ("step", "shorter")


def test_another_job_is_no_step_of_the_machine():
    """Pin takes 95 % of its time for thirty shifts, then cap takes 125 % of its own."""
    first = reloads("T01", "pin", lambda shift: 0.95).filter(pl.col("shift_date") < date(2026, 4, 1))
    second = reloads("T01", "cap", lambda shift: 1.25, seed=2).filter(pl.col("shift_date") >= date(2026, 4, 1))
    rows = verdict(first, second)
    assert [(row["job"], row["verdict"]) for row in rows] == [
        ("all jobs", "change of job"),
        ("cap", "steady"),
        ("pin", "steady"),
    ]
    assert "other jobs ran" in rows[0]["sentence"]


def test_a_change_too_small_to_matter_is_said_to_be():
    """Times that hardly differ, three per cent longer from 1 April on."""
    rows = reloads("T01", "pin", lambda shift: 1.0)
    hardly = 1 + 0.001 * (pl.col("start").dt.day() % 2)
    later = pl.when(pl.col("shift_date") >= date(2026, 4, 1)).then(1.03).otherwise(1.0)
    assert verdict(rows.with_columns(duration_s=40 * hardly * later))[0]["verdict"] == "too small to matter"


def test_few_shifts_are_too_few_to_tell():
    (row,) = verdict(reloads("T01", "pin", lambda shift: 1.0, every=10))
    assert (row["verdict"], row["shifts"]) == ("too few to tell", 6)


def test_only_reloads_that_went_well_at_once_are_timed():
    frames = facts(
        *[night("T01", day, reloads="cccrf") for day in range(12)], night("T01", 12, reloads="ccc", hand_load=True)
    )
    told = reload_durations(frames)
    row = told.series.row(0, named=True)
    assert (row["reloads"], row["median_s"], row["planned_s"], row["verdict"]) == (36, 40, 40, "steady")
    assert told.first == datetime(2026, 3, 2, 22, tzinfo=DAY.tzinfo)
    assert reload_durations(frames, first=date(2026, 3, 5), last=date(2026, 3, 6)).series["reloads"][0] == 6


def test_no_reloads_are_no_error():
    told = reload_durations(facts(night("T01", 0)))
    assert (told.series.height, told.points.height, told.first) == (0, 0, None)

"""Cutting told from idling by the load, against the truth, by hand, and on what was recorded."""

from datetime import date

import numpy as np
import polars as pl
import pytest
from derive.literal import SITE, log
from figures.shop import shop, week_of

from runlog.derive import derive
from runlog.figures.cutting import idle_thresholds
from runlog.figures.shifts import shift_table
from runlog.schema import SHIFT_LOADS
from runlog.site import parse_site


def loads(*heaps: tuple[float, float], machine: str = "T01") -> pl.LazyFrame:
    """SHIFT_LOADS of a main spindle: (load, seconds)."""
    key = {"machine": machine, "shift_date": date(2026, 1, 12), "shift": "day", "job": "pin", "component": "main"}
    return pl.LazyFrame([key | {"load": load, "seconds": s} for load, s in heaps], schema=SHIFT_LOADS.schema)


def found(frame: pl.LazyFrame) -> list[tuple]:
    return idle_thresholds(frame).select("machine", "threshold").collect().rows()


def test_two_heaps_are_parted_midway():
    """Idle at 3 to 5 %, cutting at 40 and 45 %: 22.5 %, half way from 5 to 40."""
    assert found(loads((3, 100), (4, 300), (5, 100), (40, 200), (45, 400))) == [("T01", 22.5)]


def scatter(values: np.ndarray, seconds: np.ndarray) -> float:
    """Squares about the mean, each as often as it lasted."""
    return float(seconds @ (values - np.average(values, weights=seconds)) ** 2)


def test_it_is_otsus_threshold():
    """The textbook form: the cut that makes the variance within the two heaps least."""
    rng = np.random.default_rng(4)
    for _ in range(20):
        values = np.unique(rng.integers(0, 100, 12)).astype(float)
        seconds = rng.uniform(1, 100, len(values))
        parts = [(slice(None, n), slice(n, None)) for n in range(1, len(values))]
        within = [sum(scatter(values[part], seconds[part]) for part in two) for two in parts]
        n = int(np.argmin(within)) + 1
        separation = 1 - min(within) / scatter(values, seconds)
        got = idle_thresholds(loads(*zip(values, seconds, strict=True))).collect().row(0, named=True)
        assert got["separation"] == pytest.approx(separation)
        assert got["threshold"] == ((values[n - 1] + values[n]) / 2 if separation >= 0.76 else None)


def test_no_two_heaps_no_word():
    """A flat spread explains three quarters at best, a bell two thirds; one load has nothing to part."""
    flat = loads(*((float(load), 1.0) for load in range(40)))
    bell = loads(*((float(load), float(np.exp(-(((load - 20) / 6) ** 2) / 2))) for load in range(40)))
    assert found(flat) == found(bell) == found(loads((7, 100))) == [("T01", None)]


def test_what_is_told_on_a_literal_log():
    """Turns 100 s: idle 20, cutting 60, idle 20; then 100 s of load while it stands, and it cuts 50 s more."""
    text = (
        "0 avail AVAILABLE\n0 mode AUTOMATIC\n0 program O1\n0 exec ACTIVE\n0 main 1500\n0 load 4\n20 load 38.4\n"
        "80 load 4\n100 main 0\n100 load 38\n200 main 1500\n250 main 0\n400 exec READY"
    )
    site = parse_site(SITE)
    facts = dict(derive(log(text), site))
    held = facts["shift_loads"].select("load", "seconds").collect().rows()
    assert held == [(4.0, 40.0), (38.0, 110.0)]
    got = shift_table(facts, site, week_of(facts, site, "2026-W03"), ("machine",)).row(0, named=True)
    assert got["main_cutting_of_turning"] == pytest.approx(110 / 150)
    assert got["main_cutting_share"] == pytest.approx(110 / got["pbt_s"])
    assert got["sub_cutting_share"] is None


def test_an_invented_spindle_cuts_as_long_as_in_truth():
    """T03 tells the load of its main spindle: 4 % idle, cutting 20 % and the diameter; the others tell none."""
    facts, site, truth = shop()
    week = week_of(facts, site)
    table = shift_table(facts, site, week, ("machine",))
    days = pl.col("shift_date").is_between(week.first, week.last)
    cut_s = truth["shift_loads"].filter(days & (pl.col("load") > 4))["seconds"].to_list()
    busy_s = truth["shift_figures"].filter(days & (pl.col("machine") == "T03"))["pbt_s"].to_list()
    shares = dict(table.select("machine", "main_cutting_share").iter_rows())
    assert shares == {"T01": None, "T02": None, "T03": pytest.approx(sum(cut_s) / sum(busy_s))}
    # Of the plant it is the share of the machine that tells it.
    assert shift_table(facts, site, week, ("plant",))["main_cutting_share"].item() == pytest.approx(
        sum(cut_s) / sum(busy_s)
    )

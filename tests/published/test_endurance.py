"""Endurance of runs against printed survival curves, through the figures that users see."""

from datetime import UTC, datetime
from fractions import Fraction

import polars as pl
import pytest

from runlog.figures.endurance import Endurance, endurance_of

SIX_MP = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
PLACEBO = "1 1 2 2 3 4 4 5 5 8 8 8 8 11 11 12 12 15 17 22 23"
"""Remission in weeks, + still going: E. J. Freireich and others, Blood 21 (1963) 699-716."""


def runs(**groups: str) -> pl.DataFrame:
    """A run a word, a machine a group: its length; with a + it reached its window's end, else a stop ended it."""
    words = [(machine, word) for machine, text in groups.items() for word in text.split()]
    return pl.DataFrame(
        {
            "machine": [machine for machine, _ in words],
            "job": "bush",
            "diameter_mm": 20.0,
            "window_start": datetime(2026, 3, 2, 22, tzinfo=UTC),
            "ended_by": ["window" if word.endswith("+") else "stop" for _, word in words],
            "cause": [None if word.endswith("+") else "tool broken" for _, word in words],
            "stopped": [not word.endswith("+") for _, word in words],
            "clock_h": [float(word.rstrip("+")) for _, word in words],
            "reloads": [int(word.rstrip("+")) for _, word in words],
        }
    )


def group(found: Endurance, name: str) -> dict:
    return found.groups.row(by_predicate=pl.col("group") == name, named=True)


@pytest.mark.parametrize("unit", ["hours", "reloads"])
def test_six_mp_of_klein_and_moeschberger(unit):
    """J. P. Klein and M. L. Moeschberger, Survival Analysis, 2nd ed., tables 4.1 and 4.2 (values from memory)."""
    found = endurance_of(runs(six_mp=SIX_MP, placebo=PLACEBO), unit, ("machine",))
    curve = found.curves.filter(pl.col("group") == "six_mp")
    assert curve["length"].to_list() == [6, 7, 10, 13, 16, 22, 23]
    assert curve["at_risk"].to_list() == [21, 17, 15, 12, 11, 7, 6]
    assert curve["surviving"].to_list() == pytest.approx([0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], abs=1e-3)
    assert curve["error"].to_list() == pytest.approx([0.076, 0.087, 0.096, 0.107, 0.114, 0.128, 0.135], abs=5.1e-4)
    assert (group(found, "six_mp")["median"], group(found, "placebo")["median"]) == (23, 8)
    assert group(found, "six_mp")["tenth"] == 6


def test_log_log_limits_of_the_median_are_those_of_the_manual_of_r():
    """R survival, survfit with conf.type = "log-log" of this arm: median 23, 13 to NA (from memory)."""
    row = group(endurance_of(runs(six_mp=SIX_MP), "hours", ("machine",)), "six_mp")
    assert (row["median_low"], row["median_high"]) == (13, None)


def test_log_rank_of_the_two_arms():
    """D. G. Kleinbaum and M. Klein, Survival Analysis: chi-square 16.793 (from memory)."""
    (row,) = endurance_of(runs(six_mp=SIX_MP, placebo=PLACEBO), "hours", ("machine",)).compared.to_dicts()
    assert (round(row["chi_square"], 3), row["freedom"], row["groups"]) == (16.793, 1, 2)
    assert row["p"] == pytest.approx(4.17e-5, rel=1e-3)
    assert "they last differently" in row["finding"]


def test_competing_causes_by_hand():
    """Ten runs in exact fractions: tool broken 17/36, out of bars 67/180, still going 7/45 at 9 h; bars compete."""
    ends = {1: "t", 2: "b", 3: "t", 4: "+", 5: "t", 6: "b", 7: "+", 8: "t", 9: "b", 10: "+"}
    lengths = [1, 2, 2, 3, 4, 5, 6, 7, 8, 9]
    words = {"t": ("stop", "tool broken"), "b": ("out of bars", "magazine empty"), "+": ("window", None)}
    rows = runs(T01=" ".join(map(str, lengths))).with_columns(
        ended_by=pl.Series([words[end][0] for end in ends.values()]),
        cause=pl.Series([words[end][1] for end in ends.values()]),
        stopped=pl.Series([end == "t" for end in ends.values()]),
    )
    found = endurance_of(rows, "hours", ("machine",))
    last = found.causes.filter(pl.col("length") == 9).rows_by_key("cause", named=True, unique=True)
    assert last["tool broken"]["share"] == pytest.approx(float(Fraction(17, 36)))
    assert last["out of bars"]["share"] == pytest.approx(float(Fraction(67, 180)))
    assert (last["tool broken"]["runs"], last["out of bars"]["runs"]) == (4, 3)

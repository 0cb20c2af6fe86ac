"""Published OEE examples and the ISO 22400-2 identities, through `runlog.figures.ratios`.

Sources: P. Willmott and D. McCarthy, TPM: A Route to World-Class Performance, Butterworth-Heinemann 2001, p. 127
("Tuesday of week 17"); S. Nakajima, Introduction to TPM, Productivity Press 1988, chapter 3 (numbers as given on
a public training page; the book itself from memory); ISO 22400-2 element names and formulas (from public lists
of the standard, the standard's text not read), one consistent day worked out here.
"""

from datetime import date

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.figures.account import loss_account
from runlog.figures.rollup import rolled_up
from runlog.schema import SHIFT_FIGURES, SHIFT_LOSSES

MINUTE = 60.0


def figures(**columns: float | None) -> pl.LazyFrame:
    """One row of shift figures; what is not given is 0 or empty."""
    row = {name: 0 if column.dtype.is_numeric() else None for name, column in SHIFT_FIGURES.columns.items()}
    return pl.LazyFrame([row | {"machine": "T01", "shift": "day", "job": "x"} | columns], schema=SHIFT_FIGURES.schema)


def ratios(**columns: float | None) -> dict:
    return rolled_up(figures(**columns)).collect().row(0, named=True)


def test_willmott_and_mccarthy_page_127():
    """910 min planned, 115 + 12 min lost, 203 cycles of 3 min. Printed: 86.0 %, and 77.7 %, which truncates 77.78."""
    got = ratios(pbt_s=910 * MINUTE, apt_s=(910 - 115 - 12) * MINUTE, parts=203, good_parts=None, pri_s=3 * MINUTE)
    assert got["apt_s"] == 783 * MINUTE
    assert round(100 * got["availability"], 1) == 86.0
    assert 100 * got["effectiveness"] == pytest.approx(77.7, abs=0.1)
    assert got["quality_ratio"] is None  # not on the page
    assert got["oee_index"] is None
    assert got["availability_x_effectiveness"] == pytest.approx(203 * 3 / 910)


def test_nakajima_chapter_3():
    """460 min loading, 60 down, 400 made of 0.5 min, 8 rejects. Printed 0.87, 0.50, 0.98 and 42.6 %."""
    got = ratios(pbt_s=460 * MINUTE, apt_s=400 * MINUTE, parts=400, good_parts=392, pri_s=0.5 * MINUTE)
    assert round(got["availability"], 2) == 0.87
    assert got["effectiveness"] == pytest.approx(0.5)
    assert got["quality_ratio"] == pytest.approx(0.98)
    assert got["oee_index"] == pytest.approx(0.426, abs=5e-4)


def test_one_consistent_iso_22400_day():
    """PBT 1380, AUST 45, APT 900, PRI 4.5 min, PQ 190, GQ 186 (computed, no printed source)."""
    got = ratios(
        pbt_s=1380 * MINUTE,
        apt_s=900 * MINUTE,
        setting_s=45 * MINUTE,
        parts=190,
        good_parts=186,
        pri_s=4.5 * MINUTE,
    )
    expected = {
        "availability": 0.652174,
        "effectiveness": 0.95,
        "quality_ratio": 0.978947,
        "oee_index": 0.606522,
        "setup_ratio": 0.047619,
    }
    assert {name: round(got[name], 6) for name in expected} == expected


counts = st.integers(0, 2000)
times = st.integers(1, 10**6)


@settings(deadline=None)
@given(times, times, counts, counts, st.integers(1, 10_000))
def test_oee_is_the_product_and_pri_gq_over_pbt(pbt, apt, good, bad, pri):
    """ISO 22400-2: availability x effectiveness x quality ratio = PRI x GQ / PBT, whatever the day."""
    got = ratios(pbt_s=pbt, apt_s=apt, parts=good + bad, good_parts=good, pri_s=pri)
    assert got["oee_index"] == pytest.approx(pri * good / pbt)
    if good + bad:
        assert got["availability"] * got["effectiveness"] * got["quality_ratio"] == pytest.approx(got["oee_index"])


seconds = st.integers(0, 40_000).map(lambda millis: millis / 8)


@settings(deadline=None)
@given(*[seconds] * 6, counts, counts, st.integers(0, 50), st.integers(1, 500))
def test_loss_account_closes_for_any_shift(producing, planned, overrun, stop, minor, lost, good, bad, unseen, pri):
    """The lines add up to PBT to the second, with quality measured or not, with parts made unseen or not."""
    pbt = producing + planned + overrun + stop + minor + lost
    columns = {
        "pbt_s": pbt,
        "producing_s": producing,
        "reload_planned_s": planned,
        "reload_overrun_s": overrun,
        "stopped_s": stop,
        "minor_stops_s": minor,
        "no_signal_s": lost,
        "apt_s": producing + planned,
        "parts": good + bad,
        "parts_unseen": min(unseen, good + bad),
        "pri_s": float(pri),
    }
    key = {"machine": "T01", "shift_date": date(2026, 1, 12), "shift": "day", "job": "x"}
    losses = pl.LazyFrame(
        [
            key | {"loss": "stops", "cause": "misfeed", "seconds": stop, "count": 1},
            key | {"loss": "minor stops", "cause": "swarf nest", "seconds": minor, "count": 1},
        ],
        schema=SHIFT_LOSSES.schema,
    )
    for quality in (good, None):
        account = loss_account(figures(**columns, good_parts=quality, shift_date=key["shift_date"]), losses).collect()
        assert account["seconds"].sum() == pytest.approx(pbt, abs=1e-6)
        assert account["parts"].sum() == pytest.approx(pbt / pri, abs=1e-6)


def test_ratios_roll_up_as_sums_over_sums():
    """Two shifts of 100 and 300 s at 50 % and 100 %: 87.5 % together, not their mean of 75 %."""
    two = pl.concat([figures(pbt_s=100, apt_s=50), figures(pbt_s=300, apt_s=300)])
    assert rolled_up(two).collect()["availability"].item() == pytest.approx(0.875)

"""What losses cost against the plan, worked by hand on the night of 12 bars.

Part 42, parting 3, facing 0.5, bar 1200, top cut 5, minimum remnant 90: 24 parts a bar; cycle 75 s, bar change 40 s:
PRI 76.667 s. 12 bars are 288 parts, planned to be made by 04:08; the 8 h night would hold 375.65. Slack: 87.65 parts.
"""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from runlog.figures.account import loss_account
from runlog.figures.against_plan import against_plan
from runlog.figures.losses import loss_rows
from runlog.figures.period import Period
from runlog.schema import BARS, RELOADS, SHIFT_FIGURES, SHIFT_LOSSES, SHIFT_PLANS
from runlog.site import parse_site

TEN = datetime(2026, 11, 23, 22, tzinfo=UTC)
SIX = TEN + timedelta(hours=8)
PRI = 75 + 40 / 24
KEY = {"machine": "T01", "shift_date": date(2026, 11, 23), "shift": "night"}


def frame(table, *rows: dict) -> pl.LazyFrame:
    return pl.LazyFrame([dict.fromkeys(table.columns) | row for row in rows], schema=table.schema)


def night(
    made: int, stops: dict[str, float], limit: str = "bars", planned: float = 288, loaded: int = 12, short: int = 0
):
    """The account of a night against its plan: parts lost by line or cause. The rest of 8 h is slow cycles."""
    stopped = sum(stops.values())
    numbers = {name: 0 for name, column in SHIFT_FIGURES.columns.items() if column.dtype.is_numeric()}
    figures = frame(
        SHIFT_FIGURES,
        numbers
        | KEY
        | {
            "job": "pin", "shift_start": TEN, "shift_end": SIX, "pbt_s": 28_800.0, "stopped_s": stopped, "pri_s": PRI,
            "producing_s": 28_800 - stopped, "apt_s": 28_800 - stopped, "parts": made, "good_parts": None,
        },
    )  # fmt: skip
    losses = frame(
        SHIFT_LOSSES,
        *(KEY | {"job": "pin", "loss": "stops", "cause": c, "seconds": s, "count": 1} for c, s in stops.items()),
    )
    plans = frame(
        SHIFT_PLANS,
        KEY
        | {
            "job": "pin", "attended": False, "shift_start": TEN, "shift_end": SIX, "pbt_s": 28_800.0, "limit": limit,
            "standard_time_s": PRI, "planned_parts": planned, "parts_per_bar": 24, "bars": 12,
        },
    )  # fmt: skip
    hour = timedelta(hours=1)
    reloads = frame(
        RELOADS,
        *({"machine": "T01", "end": TEN + hour / 4 * n, "outcome": "clean", "hand_load": False} for n in range(loaded)),
    )
    bars = frame(
        BARS,
        {
            "machine": "T01",
            "finished_at": TEN + hour,
            "parts": 24 - short,
            "planned_parts": 24,
            "remnant_basis": "inferred",
        },
    )
    rows = against_plan(loss_account(figures, losses), figures, plans, reloads, bars).collect()
    lost = rows.filter(pl.col("lost_parts").is_not_null())
    assert lost["lost_parts"].sum() == pytest.approx(planned - made)
    told = lost.filter((pl.col("line") != "slow cycles") | (pl.col("lost_parts").abs() > 1e-9))
    return {row["cause"] or row["line"]: row["lost_parts"] for row in told.iter_rows(named=True)}


def parts(value: float):
    return pytest.approx(value, abs=1e-6)


def test_an_hour_that_bars_left_free_costs_no_part():
    """288 made with an hour's jam: its 46.96 parts lie in the slack of 87.65; the magazine took the rest of that."""
    empty_s = 28_800 - 288 * PRI - 3600
    assert night(288, {"bar jammed": 3600.0, "magazine empty": empty_s}) == {
        "bar jammed": parts(0),
        "magazine empty": parts(0),
    }


def test_slack_goes_first_to_the_limit_that_binds():
    """240 made, two hours of jam, then the magazine is empty: slack covers that first, then part of the jam."""
    empty_s = 28_800 - 240 * PRI - 7200
    assert empty_s / PRI == parts(41.739130)
    # Slack 87.65 - 41.74 = 45.91 of the jam's 93.91 parts; 48 parts lost, what was planned less what was made.
    assert night(240, {"bar jammed": 7200.0, "magazine empty": empty_s}) == {
        "bar jammed": parts(48),
        "magazine empty": parts(0),
    }


def test_bars_not_loaded_and_short_bars_are_told_apart():
    """Nine bars were there, one of them gave 2 parts less: 214 made, 74 lost: 72 in three bars, 2 in the short one."""
    got = night(214, {"magazine empty": 28_800 - 214 * PRI}, loaded=9, short=2)
    assert got == {
        "magazine empty": parts(0),
        "bars not loaded": parts(72),
        "fewer parts per bar": parts(2),
    }


def test_they_take_no_more_than_the_empty_magazine_cost():
    """Two bars fewer by the log, but only 20 parts lost to the empty magazine."""
    got = night(268, {"magazine empty": 28_800 - 268 * PRI}, loaded=10)
    assert got == {"magazine empty": parts(0), "bars not loaded": parts(20)}


def test_where_time_binds_every_loss_costs_its_parts():
    planned = 28_800 / PRI
    got = night(300, {"misfeed": 28_800 - 300 * PRI}, limit="time", planned=planned)
    assert got == {"misfeed": parts(planned - 300)}


def test_where_the_order_binds_its_end_costs_nothing():
    """The order's 100 parts were made; the machine stood after them."""
    assert night(100, {"count reached": 28_800 - 100 * PRI}, limit="order", planned=100) == {"count reached": parts(0)}


def test_more_than_planned_is_ahead_of_plan():
    """13 bars gave 312 parts in a night planned for 288."""
    got = night(312, {"magazine empty": 28_800 - 312 * PRI}, loaded=13)
    assert got == {"magazine empty": parts(0), "ahead of plan": parts(-24)}


def test_what_there_was_no_time_for_is_told():
    """The order system asked for 400 where the night holds 375.65; an hour was lost."""
    got = night(328, {"misfeed": 28_800 - 328 * PRI}, limit="time", planned=400)
    assert got == {"misfeed": parts(28_800 / PRI - 328), "planned beyond the time": parts(400 - 28_800 / PRI)}


def test_a_window_that_begins_before_the_period_has_one_magazine():
    """Saturday and Sunday are one window of 12 bars: 7 loaded on the first day, 3 on the second, which lost 100 parts.

    Two bars were missing, 48 parts, though of the second day alone nine would be.
    """
    days = [date(2026, 11, 21), date(2026, 11, 22)]
    starts = [datetime(2026, 11, day, tzinfo=UTC) for day in (21, 22)]
    numbers = {name: 0 for name, column in SHIFT_FIGURES.columns.items() if column.dtype.is_numeric()}
    whole_s = 200 * PRI
    stopped = [0.0, 100 * PRI]
    keys = [{"machine": "T01", "shift_date": day, "shift": "weekend", "job": "pin"} for day in days]
    bounds = [{"shift_start": start, "shift_end": start + timedelta(days=1), "attended": False} for start in starts]
    facts = {
        "shift_figures": frame(
            SHIFT_FIGURES,
            *(
                numbers | key | bound | {
                    "pbt_s": whole_s, "apt_s": whole_s - s, "producing_s": whole_s - s, "stopped_s": s, "pri_s": PRI,
                    "parts": round((whole_s - s) / PRI), "good_parts": None,
                }
                for key, bound, s in zip(keys, bounds, stopped, strict=True)
            ),
        ),
        "shift_losses": frame(
            SHIFT_LOSSES, keys[1] | {"loss": "stops", "cause": "magazine empty", "seconds": stopped[1], "count": 1}
        ),
        "shift_plans": frame(
            SHIFT_PLANS,
            *(
                key | bound | {
                    "pbt_s": whole_s, "limit": "bars", "standard_time_s": PRI, "planned_parts": 200.0,
                    "parts_per_bar": 24, "bars": 12,
                }
                for key, bound in zip(keys, bounds, strict=True)
            ),
        ),
        "reloads": frame(
            RELOADS,
            *(
                {"machine": "T01", "end": at, "outcome": "clean", "hand_load": False}
                for at in (starts[n >= 7] + timedelta(hours=1 + n) for n in range(10))
            ),
        ),
        "bars": frame(BARS),
    }  # fmt: skip
    sunday = Period(days[1], days[1], "", starts[1] + timedelta(days=1), True, "UTC")
    rows = loss_rows(facts, parse_site('[site]\nname = "Shop"\ntime_zone = "UTC"\n'), sunday).collect()
    lost = {row["cause"] or row["line"]: row["lost_parts"] for row in rows.iter_rows(named=True) if row["lost_parts"]}
    assert set(rows["shift_date"]) == {days[1]}
    assert lost == {"magazine empty": parts(52), "bars not loaded": parts(48)}

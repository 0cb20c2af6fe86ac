"""One hour of one lathe, every figure worked by hand.

The site (tests/derive/literal.py): night shift 22:00-23:00 unattended; a pin takes 100 s and 44 mm of bar,
five to a bar of 300 mm, remnant 76 mm planned; a reload is planned at 30 s; PRI = 100 + 30 / 5 = 106 s.
Second 0 is 22:00:00, second 3600 is 23:00:00.
"""

from datetime import date

import polars as pl
import pytest
from derive.literal import log, second, site

from runlog.derive import derive
from runlog.figures.account import loss_account
from runlog.figures.night import night_review
from runlog.figures.rollup import rolled_up

SMALL_NIGHT = """
-60 avail AVAILABLE
-60 exec READY
-60 mode AUTOMATIC
-60 program O1
-60 count 0
-60 bad 0
-60 door CLOSED
-60 eob NO
-60 change READY
-60 standard 300
-60 bars 3
0 exec ACTIVE
100 count 1
100 exec READY
104 exec ACTIVE
204 count 2
204 exec READY
208 exec ACTIVE
308 count 3
308 exec READY
312 exec ACTIVE
412 count 4
412 exec READY
416 exec ACTIVE
500 eob YES
516 count 5
516 exec READY
517 remaining 74
518 change ACTIVE
548 change COMPLETE
549 eob NO
549 standard 301
549 change READY
551 exec ACTIVE
651 count 6
651 exec READY
655 exec ACTIVE
755 count 7
755 exec READY
759 exec ACTIVE
859 count 8
859 bad 1
859 exec READY
863 exec ACTIVE
963 count 9
963 exec READY
967 exec ACTIVE
1050 eob YES
1067 count 10
1067 exec READY
1068 remaining 77
1069 change ACTIVE
1099 change FAIL
1105 change ACTIVE
1135 change COMPLETE
1136 eob NO
1136 standard 300
1137 change READY
1140 exec ACTIVE
1240 count 11
1240 exec READY
1244 exec ACTIVE
1344 count 12
1344 exec READY
1348 exec ACTIVE
1400 alarm FAULT 3001 Tool broken
1401 exec INTERRUPTED
1402 alarm FAULT 9001 Spindle held
3000 door OPEN
3010 mode MANUAL
3020 alarm NORMAL
3100 mode AUTOMATIC
3100 door CLOSED
3110 exec ACTIVE
3210 count 13
3210 exec READY
3214 exec ACTIVE
3314 count 14
3314 exec READY
3318 exec ACTIVE
3400 eob YES
3418 count 15
3418 exec READY
3419 remaining 72
3420 change ACTIVE
3445 change COMPLETE
3446 eob NO
3446 standard 299
3447 change READY
3450 exec ACTIVE
3550 count 16
3550 exec READY
3554 exec ACTIVE
3654 count 17
3654 exec READY
"""


@pytest.fixture(scope="module")
def facts():
    return {name: frame.collect() for name, frame in derive(log(SMALL_NIGHT), site()).items()}


@pytest.fixture(scope="module")
def night(facts):
    """Row of the night shift in the shift figures."""
    rows = facts["shift_figures"].filter(pl.col("shift") == "night")
    assert rows.height == 1
    return rows.row(0, named=True)


def test_spans(facts):
    """Pauses of 4 s between cycles are producing; what is mended in MANUAL stays stopped; the visit cuts spans."""
    got = facts["spans"].select("start", "end", "kind", "cause", "attended").rows()
    assert got == [
        (second(-60), second(0), "stopped", "unexplained", True),  # READY in the day shift
        (second(0), second(516), "producing", None, False),
        (second(516), second(551), "reloading", None, False),
        (second(551), second(1067), "producing", None, False),
        (second(1067), second(1140), "reloading", None, False),
        (second(1140), second(1401), "producing", None, False),
        (second(1401), second(3000), "stopped", "tool broken", False),
        (second(3000), second(3110), "stopped", "tool broken", True),  # door, MANUAL, mended
        (second(3110), second(3418), "producing", None, True),
        (second(3418), second(3450), "reloading", None, True),
        (second(3450), second(3654), "producing", None, True),
    ]


def test_parts(facts):
    parts = facts["parts"]
    assert parts["at"].to_list() == [
        second(s) for s in (100, 204, 308, 412, 516, 651, 755, 859, 963, 1067, 1240, 1344, 3210, 3314, 3418, 3550, 3654)
    ]
    assert parts["good"].to_list() == [n != 8 for n in range(1, 18)]  # BAD rose at the count of part 8
    # 204 - 100 = 104; over the reload 651 - 516 - 35 = 100; over the stop 3210 - 1344 - 1709 = 157.
    cycles = parts["cycle_s"].to_list()
    assert cycles[0] is None
    assert (cycles[1], cycles[5], cycles[12]) == (104.0, 100.0, 157.0)


def test_reloads(facts):
    """END_OF_BAR rose before the last part: each starts with that part and ends with the next cycle."""
    got = facts["reloads"].select("start", "end", "outcome", "attempts", "duration_s", "bar_position").rows()
    assert got == [
        (second(516), second(551), "clean", 1, 35.0, 1),  # limit 1.5 x 30 = 45 s
        (second(1067), second(1140), "retried", 2, 73.0, 2),  # FAIL at 1099, COMPLETE 36 s later
        (second(3418), second(3450), "clean", 1, 32.0, 3),
    ]


def test_bars(facts):
    """used = 5 x 44 + 4 = 224 mm; 301 - 224 - 77 = 0; 300 - 224 - 72 = 4; the third is still in the spindle.

    Mass of 1 mm of 20 mm round steel: pi / 4 x 400 mm2 x 7.85e-6 kg/mm3 = 2.46615 g.
    """
    bars = facts["bars"]
    columns = (
        "loaded_at",
        "finished_at",
        "parts",
        "good_parts",
        "loaded_mm",
        "used_mm",
        "remnant_mm",
        "unaccounted_mm",
    )
    assert bars.select(columns).rows() == [
        (second(551), second(1067), 5, 4, 301.0, 224.0, 77.0, 0.0),
        (second(1140), second(3418), 5, 5, 300.0, 224.0, 72.0, 4.0),
        (second(3450), None, 2, 2, 299.0, 92.0, None, None),
    ]
    assert bars["remnant_basis"].to_list() == ["measured", "measured", None]
    assert bars["flag"].to_list() == [None, None, None]  # 4 mm is less than half a pitch
    assert bars["remnant_kg"][0] == pytest.approx(77 * 2.46615e-3, rel=1e-5)
    assert bars["remnant_cost"][0] == pytest.approx(2 * 77 * 2.46615e-3, rel=1e-5)


def test_stop(facts):
    """3001 came up 1 s before the stop: first-out; 9001 is its consequence. 3110 - 1401 = 1709 s."""
    stop = facts["stops"].filter(pl.col("start") > second(0)).row(0, named=True)
    assert (stop["start"], stop["end"], stop["duration_s"]) == (second(1401), second(3110), 1709.0)
    assert (stop["cause"], stop["cause_group"], stop["basis"]) == ("tool broken", "tooling", "alarm")
    assert (stop["code"], stop["text"], stop["consequences"], stop["consequence_codes"]) == (
        "3001",
        "Tool broken",
        1,
        "9001",
    )
    assert (stop["minor"], stop["night_ending"], stop["open"]) == (False, True, False)


def test_alarms(facts):
    got = facts["alarms"].select("start", "end", "code", "cause", "stop", "first_out").rows()
    assert got == [
        (second(1400), second(3020), "3001", "tool broken", second(1401), True),
        (second(1402), second(3020), "9001", "other alarm", second(1401), False),
    ]


def test_unattended_run(facts):
    """It ends where the stop began that somebody found at 3000; 3 bars x 5 = 15 parts were planned."""
    run = facts["unattended_runs"].row(0, named=True)
    assert (run["start"], run["end"], run["planned_end"]) == (second(0), second(1401), second(3600))
    assert (run["ended_by"], run["cause"], run["parts"], run["reloads"]) == ("stop", "tool broken", 12, 2)
    assert (run["planned_parts"], run["limit"]) == (15.0, "bars")
    assert facts["unattended_runs"].height == 1  # the visit lasts to 3100 + 900, past the window


def test_seconds_of_the_night(night):
    """producing 516 + 516 + 261 + 308 + 150; reloads 35 + 73 + 32, of each 30 planned."""
    assert night["pbt_s"] == 3600
    assert night["producing_s"] == 1751
    assert (night["reload_planned_s"], night["reload_overrun_s"]) == (90, 50)
    assert (night["stopped_s"], night["minor_stops_s"], night["setting_s"], night["no_signal_s"]) == (1709, 0, 0, 0)
    assert night["apt_s"] == 1751 + 90
    assert (night["parts"], night["good_parts"], night["pri_s"]) == (16, 15, 106)
    assert (night["reloads"], night["reload_faults"], night["reloads_unrated"]) == (3, 1, 0)
    assert (night["stops"], night["minor_stops"], night["failures"]) == (1, 0, 1)


def test_ratios_of_the_night(facts):
    night = rolled_up(facts["shift_figures"].lazy().filter(pl.col("shift") == "night")).collect().row(0, named=True)
    assert night["availability"] == pytest.approx(1841 / 3600)
    assert night["effectiveness"] == pytest.approx(16 * 106 / 1841)
    assert night["quality_ratio"] == pytest.approx(15 / 16)
    assert night["oee_index"] == pytest.approx(15 * 106 / 3600)
    assert night["coverage"] == 1
    assert night["main_utilisation"] is None  # no spindle speed in this log


def test_loss_account_closes(facts):
    """1590 + 106 + 145 + 50 + 1709 = 3600, to the second; slow cycles = 1841 - 16 x 106 = 145."""
    account = (
        loss_account(facts["shift_figures"].lazy(), facts["shift_losses"].lazy())
        .filter(pl.col("shift") == "night")
        .collect()
    )
    assert dict(account.select("line", "seconds").rows()) == {
        "good parts": 1590.0,
        "scrap": 106.0,
        "slow cycles": 145.0,
        "reload overrun": 50.0,
        "stops": 1709.0,
    }
    assert account["seconds"].sum() == 3600
    assert account["parts"].sum() == pytest.approx(3600 / 106)


def test_plan_of_the_night(facts):
    """Bars bind: 15 < 3600 / 106 = 33.96. Endurance 3 x (5 x 100 + 30) = 1590 s: out at 22:26:30."""
    plan = facts["shift_plans"].filter(pl.col("shift") == "night").row(0, named=True)
    assert (plan["planned_parts"], plan["limit"], plan["bars"], plan["bars_basis"]) == (15.0, "bars", 3, "noted")
    assert plan["run_out_at"] == second(1590)
    assert plan["parts_left"] is None  # unknown before the first reload


def test_review_of_the_night(facts):
    review = night_review({name: frame.lazy() for name, frame in facts.items()}, site(), date(2026, 1, 12))
    first = review.machines.row(0, named=True)
    assert first["finding"] == (
        "stopped at 22:23: tool broken (3001 Tool broken), 1 more alarm followed; made 16 of 15 planned"
    )
    assert (first["parts"], first["parts_lost"], first["limit"]) == (16, -1.0, "bars")
    assert (first["clean"], first["retried"], first["failed"]) == (2, 1, 0)
    assert first["reload_mean_s"] == pytest.approx((35 + 73 + 32) / 3)
    assert (first["remnant_mm"], first["planned_remnant_mm"], first["remnant_basis"]) == (149.0, 152.0, "measured")
    assert first["run_h"] == pytest.approx((1751 + 140) / 3600)
    assert first["not_measured"] == "spindle speed"
    assert review.window.hours == 1

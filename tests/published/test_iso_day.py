"""A whole day by ISO 22400-2, from a log to every ratio.

Element names and formulas: ISO 22400-2, from public lists of the standard (its text was not read). The day itself was
made up and computed by hand, no printed source: POT 1440 min, planned down 60, PBT 1380, AUST 45, APT 900, ADET 120, so
AUPT 945, AUBT 1065, ADOT 315; AOET 1200; PRI 4.5, PQ 190, GQ 186, SQ 4.
"""

from datetime import timedelta

import polars as pl
import pytest
from derive.literal import SITE, log, second

from runlog import calendar
from runlog.derive import derive
from runlog.figures.ratios import allocation_ratio, throughput_rate
from runlog.figures.rollup import rolled_up
from runlog.site import parse_site

MINUTE = 60
PRINTED = {
    "availability": 0.652174,
    "effectiveness": 0.95,
    "quality_ratio": 0.978947,
    "oee_index": 0.606522,
    "nee_index": 0.636848,
    "utilization_efficiency": 0.845070,
    "allocation_efficiency": 0.771739,
    "setup_ratio": 0.047619,
    "technical_efficiency": 0.882353,
    "scrap_ratio": 0.021053,
}

DAY = parse_site(
    """
[site]
name = "One lathe"
time_zone = "Europe/London"

[[shift]]
name = "day"
start = "22:00"
end = "22:00"

[[closure]]
start = 2026-01-12T22:00:00
end = 2026-01-12T23:00:00
reason = "planned maintenance"

[[machine]]
name = "T01"
"""
    + SITE[SITE.index("[[job]]") : SITE.index('[[job]]\nname = "cap"')].replace(
        "cycle_s = 100", "cycle_s = 270\norder_quantity = 186"
    )
    + SITE[SITE.index("[[cause]]") :]
)
"""POT is the whole shift, 22:00 to 22:00; an hour of it is planned down. No feeder: PRI is the cycle, 4.5 min."""


def the_day() -> str:
    """45 min MANUAL, 100 parts, 120 min broken tool, 90 parts, then the order is complete. 190 parts take 900 min."""
    at = 60 * MINUTE
    lines = [f"{at} avail AVAILABLE", f"{at} exec READY", f"{at} program O1", f"{at} mode MANUAL"]
    lines += [f"{at} count 0", f"{at} good 0", f"{at} bad 0"]
    at += 45 * MINUTE
    lines += [f"{at} mode AUTOMATIC", f"{at} exec ACTIVE"]
    good = bad = 0
    for part in range(1, 191):
        # 150 cycles of 284 s and 40 of 285 s.
        at += 285 if part % 19 in (0, 5, 10, 15) else 284
        is_bad = part in (10, 60, 120, 180)
        good, bad = good + (not is_bad), bad + is_bad
        lines += [f"{at} bad {bad}" if is_bad else f"{at} good {good}", f"{at} count {part}"]
        if part == 100:
            lines += [f"{at} alarm FAULT 3001 tool", f"{at} exec INTERRUPTED"]
            at += 120 * MINUTE
            lines += [f"{at} alarm NORMAL", f"{at} exec ACTIVE"]
    assert at == (60 + 45 + 900 + 120) * MINUTE
    return "\n".join([*lines, f"{at} exec READY", f"{24 * 60 * MINUTE} exec READY"])


def test_the_whole_day():
    facts = derive(log(the_day()), DAY)
    made = rolled_up(facts["shift_figures"], "machine").collect()
    got = made.row(0, named=True)
    elements = {
        "pbt_s": 1380, "setting_s": 45, "apt_s": 900, "adet_s": 120, "stopped_s": 120 + 315, "no_signal_s": 0,
    }  # fmt: skip
    assert {name: got[name] / MINUTE for name in elements} == elements
    assert (got["parts"], got["good_parts"], got["pri_parts_s"]) == (190, 186, 190 * 270)
    assert {name: round(got[name], 6) for name in PRINTED} == PRINTED
    # The order took from 23:00 to the last part and 75 min of transport: AOET 1200 min.
    order_s = pl.lit(1200.0 * MINUTE)
    of_order = made.select(ratio=allocation_ratio(order_s), rate=60 * throughput_rate(order_s)).row(0, named=True)
    assert round(of_order["ratio"], 6) == 0.8875
    assert round(of_order["rate"], 6) == 0.158333
    # One failure of 120 min: the order's end is none.
    assert (got["failures"], got["mttr_s"] / MINUTE, got["time_between_failures_s"] / MINUTE) == (1, 120, 945)
    assert dict(facts["shift_losses"].select("cause", pl.col("seconds") / MINUTE).collect().iter_rows()) == {
        "tool broken": 120,
        "count reached": 315,
    }


def test_planned_down_time_is_no_busy_time():
    """POT 1440 less 60 planned down: PBT 1380 min."""
    busy = calendar.planned(DAY, ["T01"], second(0), second(86_400 - 1))
    lengths = busy.filter(pl.col("shift_start") == second(0)).select(pl.col("end") - pl.col("start"))
    assert lengths.to_series().sum() == timedelta(minutes=1380)


def test_a_chip_line():
    """A training text on maintenance (a web page, seen in part): 480 min less 60, 43 min down. Printed: 89.8 %.

    Performance, quality and OEE were computed here from its other inputs: 70 a minute, 22 271 made, 1 423 rejected.
    """
    figures = derive(log(the_day()), DAY)["shift_figures"]
    line = figures.with_columns(
        pbt_s=pl.lit(420.0 * MINUTE), apt_s=pl.lit(377.0 * MINUTE), pri_s=pl.lit(MINUTE / 70),
        parts=pl.lit(22_271), good_parts=pl.lit(22_271 - 1_423),
    ).head(1)  # fmt: skip
    got = rolled_up(line).collect().row(0, named=True)
    assert round(100 * got["availability"], 1) == 89.8
    assert got["effectiveness"] == pytest.approx(0.843918, abs=1e-6)
    assert got["quality_ratio"] == pytest.approx(0.936105, abs=1e-6)
    assert got["oee_index"] == pytest.approx(0.709116, abs=1e-6)

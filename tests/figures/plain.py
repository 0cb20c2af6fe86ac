"""Figures from the simulator's truth by plain Python: loops and sums, nothing of `runlog.figures`."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import polars as pl

Row = dict[str, Any]
Key = tuple[str, str]
"""Machine and ISO week."""


def week_of(day: date) -> str:
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def by_week(truth: dict[str, pl.DataFrame]) -> dict[Key, Row]:
    """Every figure of every machine and week."""
    groups, plans, stopped = (
        _grouped(truth[name], lambda row: (row["machine"], week_of(row["shift_date"])))
        for name in ("shift_figures", "shift_plans", "shift_losses")
    )
    when = {
        machine: sorted({(row["shift_start"], row["shift_date"]) for row in truth["shift_plans"].iter_rows(named=True)})
        for machine in {machine for machine, _ in groups}
    }

    def key_of(machine: str, at: datetime) -> Key | None:
        number = bisect_right(when[machine], at, key=lambda shift: shift[0]) - 1
        return (machine, week_of(when[machine][number][1])) if number >= 0 else None

    found = {key: _ratios(rows) for key, rows in groups.items()}
    for key, row in found.items():
        row |= _plan(plans[key], groups[key]) | _losses(groups[key], stopped[key])
    for name, at, told in (
        ("bars", "finished_at", _bars),
        ("changeovers", "start", _changeovers),
        ("reloads", "start", _tail),
    ):
        mine: dict[Key, list[Row]] = defaultdict(list)
        for row in truth[name].iter_rows(named=True):
            if row[at] is not None and (key := key_of(row["machine"], row[at])):
                mine[key].append(row)
        for key, row in found.items():
            row |= told(mine[key])
    return found


def _grouped(frame: pl.DataFrame, key_of: Callable[[Row], Key]) -> dict[Key, list[Row]]:
    found: dict[Key, list[Row]] = defaultdict(list)
    for row in frame.iter_rows(named=True):
        found[key_of(row)].append(row)
    return found


def over(part: float | None, whole: float | None) -> float | None:
    return part / whole if part is not None and whole else None


def _ratios(rows: list[Row]) -> Row:
    def total(name: str, of: list[Row] = rows) -> float:
        return sum(row[name] for row in of)

    rated = [row for row in rows if row["good_parts"] is not None]
    made_s = sum(row["pri_s"] * row["parts"] for row in rows)
    unseen_s = sum(row["pri_s"] * row["parts_unseen"] for row in rows)
    good_s = sum(row["pri_s"] * row["good_parts"] for row in rated)
    main, sub, both = (
        [row for row in rows if row[f"{name}_turning_s"] is not None] for name in ("main", "sub", "both")
    )
    either = sum(row["main_turning_s"] + row["sub_turning_s"] - row["both_turning_s"] for row in both)
    aupt = total("setting_s") + total("apt_s")
    aubt = aupt + total("adet_s")
    effectiveness, quality = (
        over(made_s - unseen_s, total("apt_s")),
        over(total("good_parts", rated), total("parts", rated)),
    )
    nee = over(aupt, total("pbt_s"))
    return {
        "parts": total("parts"),
        "good_parts": total("good_parts", rated) if rated else None,
        "availability": over(total("apt_s"), total("pbt_s")),
        "effectiveness": effectiveness,
        "quality_ratio": quality,
        "scrap_ratio": None if quality is None else 1 - quality,
        "oee_index": over(good_s, total("pbt_s", rated)),
        "nee_index": None if nee is None or effectiveness is None or quality is None else nee * effectiveness * quality,
        "availability_x_effectiveness": over(made_s, total("pbt_s")),
        "setup_ratio": over(total("setting_s"), aupt),
        "technical_efficiency": over(total("apt_s"), total("apt_s") + total("adet_s")),
        "utilization_efficiency": over(total("apt_s"), aubt),
        "allocation_efficiency": over(aubt, total("pbt_s")),
        "mttr_s": over(total("failures_s"), total("failures")),
        "time_between_failures_s": over(total("apt_s") + total("setting_s"), total("failures")),
        "main_utilisation": over(total("main_turning_s", main), total("pbt_s", main)),
        "sub_utilisation": over(total("sub_turning_s", sub), total("pbt_s", sub)),
        "both_spindles": over(total("both_turning_s", both), either),
        "coverage": 1 - total("no_signal_s") / total("pbt_s"),
        "reload_faults_per_100": over(100 * total("reload_faults"), total("reloads")),
        "reload_mean_s": over(total("reloads_timed_s"), total("reloads_timed")),
        "reload_planned_mean_s": over(total("reloads_timed_planned_s"), total("reloads_timed")),
        "off_plan_parts": total("off_plan_parts"),
        "off_plan_s": total("off_plan_s"),
    }


def _plan(plans: list[Row], figures: list[Row]) -> Row:
    """The plan of the week; of a shift in which the log ends, as far as its standard time has passed."""
    seen_s: dict[tuple, float] = defaultdict(float)
    for row in figures:
        seen_s[row["shift_date"], row["shift"]] += row["pbt_s"]
    planned = 0.0
    for plan in plans:
        seen = seen_s[plan["shift_date"], plan["shift"]]
        by_now = min(plan["planned_parts"], seen / plan["standard_time_s"])
        planned += plan["planned_parts"] if seen >= plan["pbt_s"] - 1e-3 else by_now
    return {"planned_parts": planned, "plan_attainment": over(sum(row["parts"] for row in figures), planned)}


def _losses(figures: list[Row], stopped: list[Row]) -> Row:
    """Seconds of the account: every line, stops by cause."""
    seconds: dict[str, float] = defaultdict(float)
    for row in figures:
        pri, good = row["pri_s"], row["good_parts"]
        if good is None:
            seconds["parts made"] += pri * row["parts"]
        else:
            seconds["good parts"] += pri * good
            seconds["scrap"] += pri * (row["parts"] - good)
        seconds["slow cycles"] += row["apt_s"] - pri * (row["parts"] - row["parts_unseen"])
        seconds["no signal"] += row["no_signal_s"] - pri * row["parts_unseen"]
        seconds["reload overrun"] += row["reload_overrun_s"]
        seconds["setting"] += row["setting_s"]
    for row in stopped:
        seconds[f"{row['loss']}, {row['cause']}"] += row["seconds"]
    return {"losses": {name: value for name, value in seconds.items() if abs(value) > 1e-6}}


def _bars(bars: list[Row]) -> Row:
    known = [bar for bar in bars if bar["remnant_mm"] is not None]
    sums = {
        f"{name}_mm": sum(bar[f"{name}_mm"] or 0.0 for bar in known)
        for name in ("loaded", "parts", "parting", "top_cut", "remnant", "unaccounted", "planned_remnant")
    }
    return sums | {
        "bars": len(known),
        "bars_unknown": len(bars) - len(known),
        "bars_short": sum(bar["parts"] < bar["planned_parts"] for bar in known),
        "remnant_kg": sum(bar["remnant_mm"] * bar["kg_per_mm"] for bar in known),
        "remnant_cost": sum(bar["remnant_mm"] * bar["kg_per_mm"] * bar["price_per_kg"] for bar in known),
        "remnant_share": over(sums["remnant_mm"], sums["loaded_mm"]),
    }


def _changeovers(rows: list[Row]) -> Row:
    told: dict[str, tuple[int, float, float]] = {}
    for row in rows:
        count, waiting, working = told.get(row["what_changed"], (0, 0.0, 0.0))
        told[row["what_changed"]] = (count + 1, waiting + row["waiting_s"], working + row["working_s"])
    return {"changeovers": told}


def _tail(reloads: list[Row]) -> Row:
    """95th percentile between the two nearest values."""
    lengths = sorted(
        row["duration_s"] for row in reloads if row["outcome"] in ("clean", "slow", "retried") and not row["hand_load"]
    )
    if not lengths:
        return {"reload_p95_s": None}
    place = 0.95 * (len(lengths) - 1)
    low = int(place)
    high = min(low + 1, len(lengths) - 1)
    return {"reload_p95_s": lengths[low] + (place - low) * (lengths[high] - lengths[low])}

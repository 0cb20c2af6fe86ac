"""Every figure of every machine and week of an invented shop is what plain Python makes of the simulator's truth.

A few days of few seeds here; `python tests/figures/test_truth_figures.py` compares 20 seeds of 13 weeks.
"""

import sys
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import polars as pl
import pytest
from figures import plain

from runlog.derive import derive
from runlog.figures.losses import grouped, loss_rows
from runlog.figures.period import Period, in_period, period_of
from runlog.figures.setups import changeover_rows, compared
from runlog.figures.shifts import shift_table
from runlog.figures.stock import bar_account, bar_rows
from runlog.simulator import simulate_frames
from runlog.site import parse_site

NEAR = 1e-6
OF_BARS = (
    "loaded_mm", "parts_mm", "parting_mm", "top_cut_mm", "remnant_mm", "unaccounted_mm", "planned_remnant_mm", "bars",
    "bars_unknown", "bars_short", "remnant_kg", "remnant_cost", "remnant_share",
)  # fmt: skip


def differences(start: date, seed: int, machines: int, **length) -> list[str]:
    """One line a figure that differs."""
    events, truth, toml = simulate_frames(start=start, seed=seed, machines=machines, **length)
    site = parse_site(toml)
    facts = derive(events.lazy(), site)
    period = period_of(facts, site, first=start, last=date(2030, 1, 1))
    got = {(row["machine"], row["week"]): row for row in _figures(facts, site, period)}
    expected = plain.by_week(truth)
    found = [] if got.keys() == expected.keys() else [f"machines and weeks: {sorted(got.keys() ^ expected.keys())}"]
    return found + [
        f"seed {seed}, {key}, {name}: {value} expected, {got[key].get(name)} found"
        for key, row in expected.items()
        if key in got
        for name, value in row.items()
        if not _equal(value, got[key].get(name))
    ]


def _figures(facts: dict[str, pl.LazyFrame], site, period: Period) -> list[dict]:
    by = ("machine", "week")
    rows = shift_table(facts, site, period, by).to_dicts()
    account = bar_account(in_period(bar_rows(facts, site), period), by).collect().to_dicts()
    setups = compared(in_period(changeover_rows(facts, site), period), by).collect().to_dicts()
    losses = grouped(loss_rows(facts, site, period), by).filter(pl.col("seconds").abs() > NEAR).collect().to_dicts()
    for row in rows:
        mine = (row["machine"], row["week"])
        bars = next((one for one in account if (one["machine"], one["week"]) == mine), None)
        of_bars = bars or dict.fromkeys(OF_BARS, 0) | {"remnant_share": None}
        row |= {name: of_bars[name] for name in OF_BARS}
        row["losses"] = {
            f"{one['line']}, {one['cause']}" if one["cause"] else one["line"]: one["seconds"]
            for one in losses
            if (one["machine"], one["week"]) == mine
        }
        row["changeovers"] = {
            one["what_changed"]: (one["changeovers"], one["waiting_s"], one["working_s"])
            for one in setups
            if (one["machine"], one["week"]) == mine
        }
    return rows


def _equal(value, got) -> bool:
    if isinstance(value, dict):
        return got is not None and value.keys() == got.keys() and all(_equal(value[name], got[name]) for name in value)
    if isinstance(value, tuple):
        return all(_equal(one, other) for one, other in zip(value, got, strict=True))
    if value is None or got is None:
        return value is None and got is None
    return abs(value - got) <= NEAR * (1 + abs(value))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_figure_equals_the_truth(seed: int):
    """Ten days around the night that has nine hours, over two ISO weeks."""
    assert differences(date(2026, 10, 19), seed, machines=6, days=10) == []


if __name__ == "__main__":
    wrong = []
    for number in range(1, 21):
        wrong += differences(date(2026, 8, 3), number, machines=6, weeks=13)
        sys.stdout.write(f"seed {number}: {len(wrong)} figures differ so far\n")
        sys.stdout.flush()
    sys.stdout.write("\n".join(wrong[:50]) + "\n")

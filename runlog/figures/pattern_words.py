"""What a pattern over time means, in sentences."""

from typing import Any, Final

import polars as pl

_MOVING: Final = ("more and more", "fewer and fewer")


def pattern_words(trends: pl.DataFrame, steps: pl.DataFrame) -> list[str]:
    """Machines that changed on a day, then trends; else that nothing shows, and what was tested.

    Parameters
    ----------
    trends, steps : DataFrame
        TRENDS, and STEPS per 100 hours or per 100 reloads.
    """
    changed = steps.filter(pl.col("verdict") != "steady")
    moved = trends.filter(pl.col("verdict").is_in(_MOVING))
    said = [step_words(row) for row in changed.iter_rows(named=True)]
    said += [trend_words(row) for row in moved.iter_rows(named=True)]
    if said:
        return said
    tested = trends.filter(pl.col("verdict") != "too few to tell")["scope"].unique(maintain_order=True).to_list()
    over = f" (tested: {', '.join('all machines' if one == 'all' else one for one in tested)})" if tested else ""
    return [f"Over time: no trend and no step that chance would not make as well{over}."]


def step_words(row: dict[str, Any]) -> str:
    """A row of STEPS."""
    ratio = "" if row["ratio"] in (0, float("inf")) else f", {_factor(row['ratio'])}"
    per = "per 100" if "reloads_before" in row else "per 100 h"
    return (
        f"{row['verdict'].upper()}  machine {row['machine']} from {row['date']} ({row['shift']}) on:"
        f" {_one_decimal(row['rate_before'])} {per} before, {_one_decimal(row['rate_after'])} after{ratio}."
        f" A fault in {row['shifts_with_fault_before']} of {row['shifts_before']} shifts before,"
        f" {row['shifts_with_fault_after']} of {row['shifts_after']} after (change point, p {row['p']:.2g})."
    )


def trend_words(row: dict[str, Any]) -> str:
    """A row of TRENDS that was tested."""
    scope = "all machines" if row["scope"] == "all" else f"machine {row['scope']}"
    return (
        f"{row['verdict'].upper()}  {scope}, over {row['clock']}: Laplace {row['laplace']:+.1f}"
        f" (p {row['laplace_p']:.2g}), Military Handbook {row['handbook']:.1f} (p {row['handbook_p']:.2g}),"
        f" slope {row['slope']:.2f} ({row['slope_low']:.2f} to {row['slope_high']:.2f}; 1 is neither)."
    )


def _factor(ratio: float) -> str:
    return f"{ratio:.1f} times as many" if ratio >= 0.1 else f"{ratio:.2f} times as many"


def _one_decimal(value: float) -> str:
    return f"{round(value, 1) + 0.0:.1f}"

"""How often reload health cries wolf, and how often it finds the wolf: `python tests/benchmarks/reload_alarms.py`.

Invented shops of twenty machines and sixty nights. In a healthy one every machine has the same rate, but nights differ:
some are bad all through (a bent bundle, a worn liner until somebody comes). In another one machine is worse.
"""

import sys

import numpy as np
import polars as pl

from runlog.figures.judging import VERDICTS
from runlog.figures.reload_health import judged

MACHINES, NIGHTS, RELOADS, RATE = 20, 60, 10, 0.02
GOAL = 100.0
"""Out of reach, so that only the comparison with the others speaks."""
SHOPS = 60


def shop(rng: np.random.Generator, *, spread: float, worse: float = 1.0, machines: int = MACHINES) -> pl.DataFrame:
    """Rated reloads of one shop.

    Parameters
    ----------
    spread : float
        How much nights differ: 0 not at all; the larger, the more faults come in few nights.
    worse : float
        How many times the rate of the others the last machine has.
    """
    rate = np.full((machines, NIGHTS), RATE)
    rate[-1] *= worse
    if spread:
        rate = rng.beta(rate / spread, (1 - rate) / spread)
    faults = rng.random((machines, NIGHTS, RELOADS)) < rate[:, :, None]
    names = np.array([f"T{number + 1:02}" for number in range(machines)])
    machine, night, _ = np.indices(faults.shape)
    return pl.DataFrame(
        {"machine": names[machine.ravel()], "shift_date": night.ravel(), "fault": faults.ravel()}
    ).with_columns(shift=pl.lit("night"), rated=pl.lit(True))


def called(spread: float, worse: float, shops: int = SHOPS, seed: int = 1) -> tuple[float, float]:
    """Share of shops in which a machine no worse than the others is called chronic, and in which the worse one is."""
    rng = np.random.default_rng(seed)
    wrong = right = 0
    for _ in range(shops):
        table = judged(shop(rng, spread=spread, worse=worse), GOAL, ["machine"])
        chronic = set(table.filter(pl.col("verdict") == VERDICTS[0])["group"])
        worst = {f"T{MACHINES:02}"} if worse > 1 else set()
        wrong += bool(chronic - worst)
        right += bool(chronic & worst)
    return wrong / shops, right / shops


def table() -> str:
    """The table in Markdown."""
    lines = [
        "| nights | one machine worse by | healthy machine called chronic | the worse one called |",
        "| --- | ---: | ---: | ---: |",
    ]
    for words, spread in (("alike", 0.0), ("differ", 0.1), ("differ much", 0.3)):
        for worse in (1.0, 2.0, 3.0, 5.0):
            wrong, right = called(spread, worse)
            found = f"{100 * right:.0f} %" if worse > 1 else "-"
            lines.append(f"| {words} | {worse:g} x | {100 * wrong:.1f} % of shops | {found} |")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.stdout.write(table() + "\n")

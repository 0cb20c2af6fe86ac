"""How often trend verdicts cry wolf, and what they find: `python tests/benchmarks/trend_alarms.py`.

Series without any change are judged as reviews of 24 series (three kinds of shift times eight figures of one machine);
then one series of 24 is given a change. The numbers are kept in docs/figures.md.
"""

import sys
from collections.abc import Callable
from datetime import date

import numpy as np

from runlog.derive import derive
from runlog.figures.period import period_of
from runlog.figures.shift_sums import shift_sums
from runlog.figures.trend_tests import verdicts
from runlog.figures.trends import shift_series, trend_verdicts
from runlog.simulator import simulate_frames
from runlog.site import parse_site

SERIES = 24
REVIEWS = 200
CALLED = ("rising", "falling", "stepped")

Make = Callable[[np.random.Generator, int], np.ndarray]


def together(r: float) -> Make:
    """Normal values of which each leans on the one before."""

    def made(rng: np.random.Generator, n: int) -> np.ndarray:
        values = rng.normal(size=n + 50)
        for at in range(1, n + 50):
            values[at] += r * values[at - 1]
        return values[50:]

    return made


UNCHANGED: dict[str, Make] = {
    "independent, normal": lambda rng, n: rng.normal(size=n),
    "counts, 0.3 a shift": lambda rng, n: rng.poisson(0.3, size=n).astype(float),
    "mostly 100 %, sometimes far below": lambda rng, n: 1 - rng.beta(0.5, 6, size=n) * (rng.random(n) < 0.4),
    "each leans on the last by 0.2": together(0.2),
    "each leans on the last by 0.4": together(0.4),
    "each leans on the last by 0.6": together(0.6),
}

CHANGES: dict[str, Callable[[int], np.ndarray]] = {
    "a step of 1 spread, halfway": lambda n: (np.arange(n) >= n // 2) * 1.0,
    "a step of 1.5 spreads, halfway": lambda n: (np.arange(n) >= n // 2) * 1.5,
    "a step of 2 spreads, after four fifths": lambda n: (np.arange(n) >= 4 * n // 5) * 2.0,
    "a slow rise by 2 spreads": lambda n: np.linspace(0, 2, n),
}


def called(series: list[np.ndarray]) -> list[bool]:
    return [one.shape in CALLED for one in verdicts([values.tolist() for values in series])]


def false_alarms(make: Make, n: int) -> tuple[float, float]:
    """Share of series called, and of reviews with any call, where nothing changed."""
    rng = np.random.default_rng(7)
    reviews = [called([make(rng, n) for _ in range(SERIES)]) for _ in range(REVIEWS)]
    return float(np.mean(reviews)), float(np.mean([any(one) for one in reviews]))


def found(change: np.ndarray) -> float:
    """Share of reviews in which the one changed series of 24 is called."""
    rng = np.random.default_rng(8)
    n = len(change)
    told = [called([*(rng.normal(size=n) for _ in range(SERIES - 1)), rng.normal(size=n) + change])[-1]
            for _ in range(REVIEWS)]  # fmt: skip
    return float(np.mean(told))


def invented_shops(seeds: range) -> str:
    """Thirteen weeks of invented shops: T04's bar changes drift, T01's misfeeds are chronic, all else has no trend."""
    drift, others, alarms = 0, 0, 0
    for seed in seeds:
        events, _, toml = simulate_frames(start=date(2026, 5, 4), weeks=13, seed=seed, machines=6)
        site = parse_site(toml)
        facts = derive(events.lazy(), site)
        told = trend_verdicts(shift_series(shift_sums(facts), period_of(facts, site)))
        for machine, figure, verdict in told.select("machine", "figure", "verdict").iter_rows():
            if machine == "T04" and figure in ("reload_mean_s", "availability", "plan_attainment"):
                drift += verdict in CALLED and figure == "reload_mean_s"
            else:
                others += 1
                alarms += verdict in CALLED
    return f"{len(seeds)} shops: drift called in {drift} of {3 * len(seeds)} series, others in {alarms} of {others}"


def report() -> str:
    lines = ["| series without change | values | series called | reviews with a call |", "| --- | ---: | ---: | ---: |"]
    for name, make in UNCHANGED.items():
        for n in (20, 65, 91):
            series, reviews = false_alarms(make, n)
            lines.append(f"| {name} | {n} | {100 * series:.2f} % | {100 * reviews:.0f} % |")
    lines += ["", "| one series of 24 changed, 65 values | called |", "| --- | ---: |"]
    lines += [f"| {name} | {100 * found(change(65)):.0f} % |" for name, change in CHANGES.items()]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.stdout.write(report() + "\n\n" + invented_shops(range(1, 6)) + "\n")

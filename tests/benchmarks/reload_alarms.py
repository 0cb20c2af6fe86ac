"""How often reload health cries wolf, and how often it finds the wolf: `python tests/benchmarks/reload_alarms.py`.

Invented shops of twenty machines and sixty nights. In a healthy one every machine has the same rate, but nights differ:
some are bad all through (a bent bundle, a worn liner until somebody comes). In another one machine is worse. Names of
tables behind the command print these only: machines, groups, weeks, steps, durations.
"""

import sys
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from runlog.figures import reload_health
from runlog.figures.fault_pattern import steps
from runlog.figures.judging import VERDICTS
from runlog.figures.reload_durations import judged as durations

MACHINES, NIGHTS, RELOADS, RATE = 20, 60, 10, 0.02
GOAL = 100.0
"""Out of reach, so that only the comparison with the others speaks."""
SHOPS = 60
SPREADS = (("alike", 0.0), ("differ", 0.1), ("differ much", 0.3))
GROUPINGS = ["machine", "diameter", "bar lot", "liner"]
CHRONIC = pl.col("verdict") == VERDICTS[0]


def shop(rng: np.random.Generator, *, spread: float, worse: float = 1.0, nights: int = NIGHTS) -> pl.DataFrame:
    """Rated reloads of one shop.

    Parameters
    ----------
    spread : float
        How much nights differ: 0 not at all; the larger, the more faults come in few nights.
    worse : float
        How many times the rate of the others the last machine has.
    """
    rate = np.full((MACHINES, nights), RATE)
    rate[-1] *= worse
    if spread:
        rate = rng.beta(rate / spread, (1 - rate) / spread)
    faults = rng.random((MACHINES, nights, RELOADS)) < rate[:, :, None]
    names = np.array([f"T{number + 1:02}" for number in range(MACHINES)])
    machine, night, _ = np.indices(faults.shape)
    return pl.DataFrame(
        {"machine": names[machine.ravel()], "shift_date": night.ravel(), "fault": faults.ravel()}
    ).with_columns(shift=pl.lit("night"), rated=pl.lit(True))


def verdicts(rows: pl.DataFrame, dimensions: list[str]) -> pl.DataFrame:
    """Every group of some dimensions, judged."""
    return reload_health.judged(rows, reload_health.tally_of(rows, dimensions), GOAL, dimensions)


def called(spread: float, worse: float, shops: int = SHOPS, seed: int = 1) -> tuple[float, float]:
    """Share of shops in which a machine no worse than the others is called chronic, and in which the worse one is."""
    rng = np.random.default_rng(seed)
    wrong = right = 0
    for _ in range(shops):
        table = verdicts(shop(rng, spread=spread, worse=worse), ["machine"])
        chronic = set(table.filter(pl.col("verdict") == VERDICTS[0])["group"])
        worst = {f"T{MACHINES:02}"} if worse > 1 else set()
        wrong += bool(chronic - worst)
        right += bool(chronic & worst)
    return wrong / shops, right / shops


def healthy_table() -> str:
    """The first table in Markdown."""
    lines = [
        "| nights | one machine worse by | healthy machine called chronic | the worse one called |",
        "| --- | ---: | ---: | ---: |",
    ]
    for words, spread in SPREADS:
        for worse in (1.0, 2.0, 3.0, 5.0):
            wrong, right = called(spread, worse)
            found = f"{100 * right:.0f} %" if worse > 1 else "-"
            lines.append(f"| {words} | {worse:g} x | {100 * wrong:.1f} % of shops | {found} |")
    return "\n".join(lines)


# --- every grouping at once ----------------------------------------------------------------------


def with_groups(rows: pl.DataFrame) -> pl.DataFrame:
    """Five sizes, each on four machines; lots of ten nights of a machine; liners of five nights in turn."""
    number = pl.col("machine").str.slice(1).cast(pl.Int64)
    lot = pl.format("{}-{}", "machine", pl.col("shift_date") // 10)
    liner = ((pl.col("shift_date") // 5 + number) % 3).cast(pl.String)
    return rows.with_columns(diameter=(number % 5).cast(pl.String), liner=liner, **{"bar lot": lot})


def any_group_table() -> str:
    """Shops without a worse machine, looked at by four groupings at once."""
    lines = ["| nights | any group called chronic | groups looked at |", "| --- | ---: | ---: |"]
    for words, spread in SPREADS:
        rng = np.random.default_rng(7)
        tables = [verdicts(with_groups(shop(rng, spread=spread)), GROUPINGS) for _ in range(SHOPS)]
        wrong = sum("chronic" in table["verdict"] for table in tables)
        lines.append(f"| {words} | {100 * wrong / SHOPS:.1f} % of shops | {tables[0].height} |")
    return "\n".join(lines)


# --- how long it takes ---------------------------------------------------------------------------


def weeks_table(shops: int = 30, weeks: int = 13) -> str:
    """Weeks until a planted fault is called, looked at once a week on all that was seen so far."""
    lines = [
        f"| nights | one machine worse by | called within {weeks} weeks | half of the shops after"
        " | a healthy one called at any look |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    for words, spread in SPREADS[:2]:
        for worse in (1.0, 2.0, 3.0, 5.0):
            rng, found, wrong = np.random.default_rng(11), [], 0
            for _ in range(shops):
                rows = shop(rng, spread=spread, worse=worse, nights=7 * weeks)
                looks = [
                    set(verdicts(rows.filter(pl.col("shift_date") < 7 * week), ["machine"]).filter(CHRONIC)["group"])
                    for week in range(2, weeks + 1)
                ]
                worst = {f"T{MACHINES:02}"} if worse > 1 else set()
                found.append(next((week for week, names in enumerate(looks, 2) if names & worst), np.inf))
                wrong += any(names - worst for names in looks)
            half = float(np.median(found))
            share = f"{100 * np.mean(np.isfinite(found)):.0f} %" if worse > 1 else "-"
            after = "-" if worse == 1 else f"{half:.0f} weeks" if np.isfinite(half) else f"more than {weeks} weeks"
            lines.append(f"| {words} | {worse:g} x | {share} | {after} | {100 * wrong / shops:.0f} % of shops |")
    return "\n".join(lines)


def steps_table(shops: int = 30, nights: int = 91, begins: int = 45) -> str:
    """One machine of twenty becomes worse in the middle of thirteen weeks: is it found, and how far off is the day?"""
    lines = [
        "| nights | from that night on | its step found | half of the days within | a healthy one called |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    for words, spread in SPREADS[:2]:
        for worse in (1.0, 3.0, 5.0, 8.0):
            rng, off, wrong = np.random.default_rng(13), [], 0
            for _ in range(shops):
                early = shop(rng, spread=spread, nights=begins)
                late = shop(rng, spread=spread, worse=worse, nights=nights - begins)
                rows = pl.concat([early, late.with_columns(pl.col("shift_date") + begins)])
                units = rows.with_columns(
                    shift_date=date(2026, 1, 1) + pl.duration(days="shift_date"),
                    faults=pl.col("fault").cast(pl.Int64),
                    chances=pl.lit(1.0),
                )
                order = units.select("machine", "shift_date", "shift", shift_start="shift_date").unique()
                told = steps(units, order).filter(pl.col("verdict") != "steady")
                planted = f"T{MACHINES:02}" if worse > 1 else ""
                wrong += any(name != planted for name in told["machine"])
                day = date(2026, 1, 1) + timedelta(days=begins)
                off += [abs((at - day).days) for at in told.filter(pl.col("machine") == planted)["date"]]
            share = f"{100 * len(off) / shops:.0f} %" if worse > 1 else "-"
            days = f"{np.median(off):.0f} nights" if off else "-"
            lines.append(f"| {words} | {worse:g} x | {share} | {days} | {100 * wrong / shops:.0f} % of shops |")
    return "\n".join(lines)


def times(rng: np.random.Generator, factor: np.ndarray, nights: int) -> pl.DataFrame:
    """Reload times of twenty machines, eight a night, 0.85 to 1.2 of the plan; the last one's by a factor a night."""
    share = rng.uniform(0.85, 1.2, (MACHINES, nights, 8))
    share[-1] *= factor[:, None]
    machine, night, number = np.indices(share.shape)
    names = np.array([f"T{place + 1:02}" for place in range(MACHINES)])
    start = datetime(2026, 1, 1, 22, tzinfo=UTC)
    return pl.DataFrame(
        {
            "machine": names[machine.ravel()],
            "night": night.ravel(),
            "number": number.ravel(),
            "duration_s": 40 * share.ravel(),
        }
    ).with_columns(
        job=pl.lit("pin"),
        shift=pl.lit("night"),
        planned_s=pl.lit(40.0),
        shift_date=date(2026, 1, 1) + pl.duration(days="night"),
        start=pl.lit(start) + pl.duration(days="night", minutes=pl.col("number") * 10),
    )


def durations_table(shops: int = 20, nights: int = 91, begins: int = 45) -> str:
    """A step of reload times in the middle of thirteen weeks, or a drift over all of them."""
    lines = [
        "| reload times of one machine | noticed | called what it is | half of the shops after"
        " | another machine called |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    after = np.arange(nights) >= begins
    rise = np.arange(nights) / nights
    cases = [("as before", "", np.ones(nights), 0)]
    cases += [(f"step of {100 * by:.0f} %", "step", 1 + by * after, begins) for by in (0.05, 0.1, 0.2, 0.3)]
    cases += [
        (f"drift to {100 * by:.0f} % more in {nights // 7} weeks", "drift", 1 + by * rise, 0) for by in (0.1, 0.2, 0.45)
    ]
    for words, kind, factor, since in cases:
        rng, delays, right, wrong = np.random.default_rng(17), [], 0, 0
        for _ in range(shops):
            series, _ = durations(times(rng, factor, nights))
            changed = series.filter(pl.col("verdict").is_in(["step", "drift", "too small to matter"]))
            own = changed.filter(pl.col("machine") == (f"T{MACHINES:02}" if kind else ""))
            wrong += changed.height > own.height
            right += kind in own["verdict"]
            delays += [(at - date(2026, 1, 1)).days - since for at in own["noticed"]]
        share = f"{100 * len(delays) / shops:.0f} %" if kind else "-"
        told = f"{100 * right / shops:.0f} %" if kind else "-"
        half = np.median(delays + [np.inf] * (shops - len(delays)))
        wait = f"{half:.0f} nights" if kind and np.isfinite(half) else "-"
        lines.append(f"| {words} | {share} | {told} | {wait} | {100 * wrong / shops:.0f} % of shops |")
    return "\n".join(lines)


TABLES = {
    "machines": healthy_table,
    "groups": any_group_table,
    "weeks": weeks_table,
    "steps": steps_table,
    "durations": durations_table,
}

if __name__ == "__main__":
    for name in sys.argv[1:] or TABLES:
        sys.stdout.write(f"{name}: {TABLES[name].__doc__}\n\n{TABLES[name]()}\n\n")
        sys.stdout.flush()

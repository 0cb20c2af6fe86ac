"""How far derived facts are from the truth when logs are noisy: `python tests/benchmarks/noise_error.py`.

The simulator writes the same shop with rising noise (repeated, late, out-of-order and garbled rows, counter
resets, clock steps, a collector's clock that runs apart from the control's); the truth stays what it was.
Each line of the table is one fact: its true amount, and by how much the derived one is off.
"""

import sys
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl

from runlog.derive import derive
from runlog.distinct import distinct
from runlog.intake import read_file, source_for
from runlog.simulator import simulate
from runlog.site import load_site

READ_AT = datetime(2026, 11, 25, 6, tzinfo=UTC)
START = date(2026, 10, 19)
LEVELS = (0.0, 0.5, 1.0, 2.0)
SEEDS = (1, 2, 3)

Facts = dict[str, pl.DataFrame]


def hours(kind: str) -> pl.Expr:
    """Hours of a kind of span. [h]"""
    length = (pl.col("end") - pl.col("start")).dt.total_microseconds() / 3.6e9
    return length.filter(pl.col("kind") == kind).sum()


MEASURES: dict[str, tuple[str, pl.Expr]] = {
    "producing [h]": ("spans", hours("producing")),
    "reloading [h]": ("spans", hours("reloading")),
    "setting [h]": ("spans", hours("setting")),
    "stopped [h]": ("spans", hours("stopped")),
    "no signal [h]": ("spans", hours("no signal")),
    "parts": ("parts", pl.len()),
    "reloads": ("reloads", pl.len()),
    "reload faults": ("reloads", pl.col("outcome").is_in(["retried", "failed"]).sum()),
    "empty and unclear reloads": ("reloads", pl.col("outcome").is_in(["empty", "unclear"]).sum()),
    "bars": ("bars", pl.len()),
    "remnant [m]": ("bars", pl.col("remnant_mm").sum() / 1000),
    "stops": ("stops", (~pl.col("minor")).sum()),
    "minor stops": ("stops", pl.col("minor").sum()),
    "stops unexplained": ("stops", (pl.col("cause") == "unexplained").sum()),
    "unattended runs": ("unattended_runs", pl.len()),
    "runs ended by a stop": ("unattended_runs", (pl.col("ended_by") == "stop").sum()),
    "changeovers": ("changeovers", pl.len()),
}
"""Each fact's table and how much of it there is."""


def facts_under_noise(noise: float, seed: int, folder: Path) -> tuple[Facts, Facts, int]:
    """Truth, derived facts, and the number of rejects, of eight days of six machines in mixed formats."""
    simulate(folder, start=START, weeks=1, days=8, seed=seed, machines=6, noise=noise)
    site = load_site(folder / "site.toml")
    paths = sorted(path for path in (folder / "logs").rglob("*") if path.is_file())
    readings = [
        read_file(path, source, site, READ_AT, base=folder) for path in paths if (source := source_for(path, site))
    ]
    events = distinct(pl.concat([reading.events for reading in readings]).lazy())
    derived = {name: frame.collect() for name, frame in derive(events, site).items()}
    truth = {path.stem: pl.read_parquet(path) for path in (folder / "truth").glob("*.parquet")}
    return truth, derived, sum(reading.rejects.height for reading in readings)


def amounts(facts: Facts) -> dict[str, float]:
    """How much of each fact there is."""
    return {name: float(facts[table].select(measure).item()) for name, (table, measure) in MEASURES.items()}


def errors(noise: float, seeds: tuple[int, ...] = SEEDS) -> tuple[dict[str, float], dict[str, float], int]:
    """True amounts, derived less true amounts, and rejects, summed over the seeds."""
    true, off, rejects = dict.fromkeys(MEASURES, 0.0), dict.fromkeys(MEASURES, 0.0), 0
    for seed in seeds:
        with tempfile.TemporaryDirectory() as folder:
            truth, derived, refused = facts_under_noise(noise, seed, Path(folder))
        rejects += refused
        for name, amount in amounts(truth).items():
            true[name] += amount
            off[name] += amounts(derived)[name] - amount
    return true, off, rejects


def table(levels: tuple[float, ...] = LEVELS, seeds: tuple[int, ...] = SEEDS) -> str:
    """The table in Markdown: derived less true, in units and in per cent of the true amount."""
    found = [errors(level, seeds) for level in levels]
    lines = [
        "| fact | truth | " + " | ".join(f"noise {level:g}" for level in levels) + " |",
        "| --- | ---: |" + " ---: |" * len(levels),
    ]
    for name in MEASURES:
        true = found[0][0][name]
        shown = [_shown(off[name], true) for _, off, _ in found]
        lines.append(f"| {name} | {true:.1f} | " + " | ".join(shown) + " |")
    lines.append("| rejects | | " + " | ".join(str(rejects) for _, _, rejects in found) + " |")
    return "\n".join(lines)


def _shown(off: float, true: float) -> str:
    if abs(off) < 0.005:
        return "0"
    return f"{off:+.2f} ({100 * off / true:+.2f} %)" if true else f"{off:+.2f}"


if __name__ == "__main__":
    sys.stdout.write(f"Eight days, six machines, four formats, seeds {SEEDS}; derived less true.\n\n{table()}\n")

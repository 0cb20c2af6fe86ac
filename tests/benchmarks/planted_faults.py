"""Whether what the invented shop has planted comes out, and nothing else: `python tests/benchmarks/planted_faults.py`.

Thirteen weeks of six machines, twenty times, each from another seed. Planted are: misfeeds of 20 mm bars on T01, reload
times of T04 that drift, one flood of alarms on T03. All else is chance, alike on all machines: whatever else is called
is called wrongly. `tests/figures/test_planted_faults.py` holds one seed to it.
"""

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import polars as pl
from figures.shop import shop

from runlog.figures.alarm_load import alarm_load
from runlog.figures.fault_health import fault_health
from runlog.figures.reload_durations import reload_durations
from runlog.figures.reload_health import reload_health

SHOPS, WEEKS, MACHINES = 20, 13, 6
PLANTED: Final = {("machine", "T01"), ("diameter", "20 mm")}
SILENT: Final = {"steady", "too few to tell"}
CHANGED: Final = ["step", "drift", "change of job"]
MISFEED: Final = "misfeed"
CHANCE: Final = ("tool broken", "tool life ended", "catcher full", "swarf nest", "drive fault")


def called(seed: int) -> dict[str, bool]:
    """What came out of one shop, in words: right, or called wrongly."""
    facts, site, _ = shop(seed=seed, days=7 * WEEKS, machines=MACHINES)
    health = reload_health(facts, site)
    found = {"reloads: T01 and 20 mm chronic": _chronic(health.groups) >= PLANTED}
    wrongly = {"reloads: another group chronic": _others(health.groups)}
    misfeeds = fault_health(facts, site, MISFEED)
    found["misfeeds: T01 chronic"] = ("machine", "T01") in _chronic(misfeeds.groups)
    wrongly["misfeeds: another group chronic"] = _others(misfeeds.groups)
    wrongly["misfeeds: a trend or step"] = _changes(misfeeds.trends, misfeeds.steps)
    for cause in CHANCE:
        chance = fault_health(facts, site, cause)
        wrongly[f"{cause}: any group chronic"] = bool(_chronic(chance.groups))
        wrongly[f"{cause}: a trend or step"] = _changes(chance.trends, chance.steps)
    series = reload_durations(facts).series
    changed = series.filter(pl.col("verdict").is_in(CHANGED))
    found["reload times: drift of T04"] = changed.filter(machine="T04", verdict="drift", direction="longer").height > 0
    wrongly["reload times: another machine"] = not set(changed["machine"]) <= {"T04"}
    floods = alarm_load(facts).floods
    found["alarms: the flood of T03"] = floods.filter(machine="T03", first_code="3001").height == 1
    wrongly["alarms: another flood"] = floods.height > 1
    return {f"planted | {name}": yes for name, yes in found.items()} | {
        f"not planted | {name}": yes for name, yes in wrongly.items()
    }


def _chronic(groups: pl.DataFrame) -> set[tuple[str, str]]:
    return set(groups.filter(verdict="chronic").select("dimension", "group").iter_rows())


def _others(groups: pl.DataFrame) -> bool:
    """Whether a group is called that is neither planted, nor said to be so through what is planted."""
    through = pl.col("through").str.contains("machine T01").fill_null(False)
    by_itself = groups.filter(pl.col("verdict") == "chronic", ~through)
    return not {*by_itself.select("dimension", "group").iter_rows()} <= PLANTED


def _changes(trends: pl.DataFrame, steps: pl.DataFrame) -> bool:
    return any(not set(table["verdict"]) <= SILENT for table in (trends, steps))


def main() -> None:
    with ProcessPoolExecutor(2) as pool:
        told = list(pool.map(called, range(1, SHOPS + 1)))
    counted = Counter(name for one in told for name, yes in one.items() if yes)
    sys.stdout.write(
        f"{SHOPS} shops, {MACHINES} machines, {WEEKS} weeks\n\n| planted? | called | shops |\n| --- | --- | ---: |\n"
    )
    for name in told[0]:
        sys.stdout.write(f"| {name} | {counted[name]} |\n")


if __name__ == "__main__":
    main()

"""What an edit of the site file costs beside deriving everything: `python tests/benchmarks/edits.py`.

One invented shop, derived once (`--machines N`, `--weeks N`). Each edit is made, timed until its facts are visible, and
taken back; last comes one that concerns everything. Beside each: how many machines were derived from their beginning,
and how many others from more than a week before the end.
"""

import argparse
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from unittest import mock

import polars as pl
from speed import told_of_machine
from taking import take

from runlog import pipeline
from runlog.pipeline import rederive
from runlog.simulator import simulate
from runlog.site import CauseRule, Closure, Shift, Site, load_site
from runlog.store import Store

START = date(2025, 11, 17)
_LAST_DAYS = timedelta(days=7)


def edits(site: Site, store: Store, last: datetime) -> dict[str, Site]:
    """Sites, each with one edit."""
    told = store.fact("alarms").group_by("code").agg(pl.col("machine").n_unique(), pl.len()).collect()
    of_one = told.filter(pl.col("code").is_not_null()).sort("machine", "len", "code")["code"]
    first, *others = site.machines
    job = site.jobs[0].model_copy(update={"name": "never made", "programs": ["O0000"]})
    shift, another = site.shift[0], first.model_copy(update={"name": "T99"})

    def ruled(code: str) -> Site:
        return site.model_copy(update={"cause": [CauseRule(cause="hydraulics", codes=[code]), *site.cause]})

    def closed(begin: datetime, machines: list[str]) -> Site:
        closure = Closure(start=begin.date(), end=begin.date() + timedelta(days=1), machines=machines)
        return site.model_copy(update={"closure": [*site.closure, closure]})

    return {
        "a rule for an alarm that few machines told": ruled(of_one[0]),
        "a rule for an alarm that all machines told": ruled(of_one[-1]),
        "a closure to come": closed(last + timedelta(days=30), []),
        "a closure of one machine, four weeks ago": closed(last - timedelta(days=28), [first.name]),
        "a job that nobody made yet": site.model_copy(update={"job_": [*site.jobs, job]}),
        "a machine added": site.model_copy(update={"machine_": [*site.machines, another]}),
        "a limit of one machine": site.model_copy(
            update={"machine_": [first.model_copy(update={"stops_for_breaks": not first.stops_for_breaks}), *others]}
        ),
        "a shift": site.model_copy(
            update={"shift": [Shift(**{**shift.model_dump(), "name": "first"}), *site.shift[1:]]}
        ),
    }


def timed(site: Site, store: Store) -> tuple[float, float, pl.DataFrame | None]:
    """Seconds by the clock and of the processors, and where each machine began; None: all at the beginning."""
    cuts: list[pl.DataFrame | None] = [None]

    def noted(*given):
        made = derive_onward(*given)
        cuts[0] = made and made[1]
        return made

    derive_onward = pipeline.derive_onward
    clock, cpu = time.perf_counter(), time.process_time()
    with mock.patch.object(pipeline, "derive_onward", noted):
        rederive(site, store)
    return time.perf_counter() - clock, time.process_time() - cpu, cuts[0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weeks", type=int, default=13)
    parser.add_argument("--machines", type=int, default=10)
    given = parser.parse_args()
    sys.stdout.write(f"{told_of_machine()}, {given.machines} machines, {given.weeks} weeks\n\n")
    sys.stdout.write(
        "| edited | [s] | of CPU time [s] | of everything | machines from their beginning | from earlier |\n"
    )
    sys.stdout.write("| --- | ---: | ---: | ---: | ---: | ---: |\n")
    with tempfile.TemporaryDirectory() as place:
        shop = simulate(Path(place) / "shop", start=START, weeks=given.weeks, seed=1, machines=given.machines)
        site, store = load_site(shop / "site.toml"), Store(Path(place) / "store")
        take(sorted((shop / "logs").iterdir()), site, store.folder)
        rederive(site, store)
        begin = time.perf_counter()
        rederive(site, store, afresh=True)
        everything = time.perf_counter() - begin
        last = store.fact("spans").select(pl.col("end").max()).collect().item() or datetime.now(UTC)
        for name, edited in edits(site, store, last).items():
            clock, cpu, cuts = timed(edited, store)
            early = 0 if cuts is None else cuts.filter(pl.col("cut") < last - _LAST_DAYS).height
            whole = given.machines - (0 if cuts is None else cuts.height)
            sys.stdout.write(f"| {name} | {clock:.2f} | {cpu:.2f} | {clock / everything:.2f} | {whole} | {early} |\n")
            sys.stdout.flush()
            rederive(site, store)
        sys.stdout.write(f"\neverything: {everything:.1f} s\n")


if __name__ == "__main__":
    main()

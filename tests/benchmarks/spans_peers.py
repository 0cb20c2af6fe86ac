"""Spans alone, against what one would write otherwise: `python tests/benchmarks/spans_peers.py`.

From the events of one machine (each told once, in one Parquet file) to its time without gap or overlap: what EXECUTION,
mode, availability, emergency stop and program say holds until they say something else, each stretch has a kind, and
adjoining ones that agree are joined. The peers are this and no more; their docstrings say exactly what. Two lines show
what runlog takes:

    the same items    `observations.life` and `read`, `spans.pieces` and `spans` of runlog.derive, given the items that
                      the peers read, and no reloads, parts, changeovers or presence
    as derive cuts    the same steps given all items that derivation reads, cut by reloads, changeovers, hung cycles and
                      presence as well; what the steps before give for that is not timed

Both read the file, find the log's ends and do all that docs/rules.md asks of spans, of which the peers do less: cycle
starts, evidence and visits, pauses between cycles, stops being mended, numbered stops, jobs. None of them looks for
events told twice. Before anything is timed, the time by day, EXECUTION and signal must be the same to the microsecond.
"""

import argparse
import os
import platform
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Final
from unittest.mock import patch

import polars as pl
from bare import is_installed
from speed import START, Time, timed

from runlog.derive import derive, spans
from runlog.derive import observations as obs
from runlog.derive.context import context
from runlog.derive.earlier import NOTHING
from runlog.derive.frames import BY, held
from runlog.schema import PLANS
from runlog.simulator import simulate_frames
from runlog.site import Site, parse_site

Work = Callable[[Path], Any]
"""From a Parquet file of events to spans with start, end, kind and execution among the columns."""

ITEMS: Final = obs.STATE_ITEMS


# --- what one would write otherwise -----------------------------------------------------------------


def pandas_spans(path: Path) -> Any:
    """pandas: filter, sort, forward fill, cut, join

    Reads the five items of one path and one machine. A text of EXECUTION or AVAILABILITY holds until the next, of mode,
    emergency stop and program until the next that is not UNAVAILABLE; of several at one instant the last. Time runs
    from the first event that is not of a head to the last of any item, setup notes left out. Kinds: *no signal* where
    EXECUTION was never told, or it or AVAILABILITY is UNAVAILABLE, else *stopped* with an emergency stop, else
    *setting* in a manual mode, else *producing* in ACTIVE and WAIT, else *stopped*. Joined where kind, EXECUTION, mode,
    availability and program agree.
    """
    import numpy as np
    import pandas as pd

    order = ["at", "body_start", "file", "line", "cell"]
    ends = pd.read_parquet(path, columns=["at", "head", "item"])
    ends = ends[~ends["item"].isin(obs.NOTES)]
    first, horizon = ends.loc[~ends["head"], "at"].min(), ends["at"].max()

    rows = pd.read_parquet(path, columns=[*order, "item", "text"], filters=[("item", "in", ITEMS)])
    rows = rows.sort_values(order, ignore_index=True)
    known = rows["text"].where(rows["text"] != obs.UNAVAILABLE)
    wide = pd.DataFrame({"at": rows["at"]})
    for item in ITEMS:
        told = rows["text"] if item in ("EXECUTION", "AVAILABILITY") else known
        wide[item] = told.where(rows["item"] == item).ffill()
    wide = wide.drop_duplicates("at", keep="last")
    wide["start"] = wide["at"].clip(lower=first)
    wide["end"] = wide["at"].shift(-1).fillna(horizon).clip(upper=horizon)
    wide = wide[wide["start"] < wide["end"]]
    lost = wide["EXECUTION"].isna() | (wide["EXECUTION"] == obs.UNAVAILABLE) | (wide["AVAILABILITY"] == obs.UNAVAILABLE)
    wide["kind"] = np.select(
        [
            lost,
            wide["EMERGENCY_STOP"] == "TRIGGERED",
            wide["CONTROLLER_MODE"].isin(obs.MANUAL_MODES),
            wide["EXECUTION"].isin(obs.RUNNING),
        ],
        ["no signal", "stopped", "setting", "producing"],
        "stopped",
    )
    same = ["kind", "EXECUTION", "CONTROLLER_MODE", "AVAILABILITY", "PROGRAM"]
    texts = wide[same].fillna("")
    wide["run"] = (texts != texts.shift(1)).any(axis=1).cumsum()
    joined = wide.groupby("run", sort=False).agg({"start": "first", "end": "last"} | dict.fromkeys(same, "first"))
    return joined.rename(columns={"EXECUTION": "execution"})


def duckdb_spans(path: Path) -> Any:
    """DuckDB: one query of window functions

    The same as in pandas: the five items, values held by `last_value(... IGNORE NULLS)`, the last of an instant by
    `lead`, the same kinds, joined by a running count of changes.
    """
    import duckdb

    def texts(*words: str) -> str:
        return ", ".join(f"'{word}'" for word in words)

    def held_of(item: str, name: str, through_loss: bool) -> str:
        known = f" AND text <> '{obs.UNAVAILABLE}'" if through_loss else ""
        return f"last_value(CASE WHEN item = '{item}'{known} THEN text END IGNORE NULLS) OVER said AS {name}"

    order = '"at", body_start, file, line, cell'
    same = ("kind", "execution", "mode", "available", "program")
    columns = ", ".join(same)
    differs = " OR ".join(f"{name} IS DISTINCT FROM lag({name}) OVER (ORDER BY start)" for name in same)
    query = f"""
        WITH ends AS (
            SELECT min("at") FILTER (WHERE NOT head) AS first, max("at") AS horizon FROM '{path.as_posix()}'
            WHERE item NOT IN ({texts(*obs.NOTES)})
        ), told AS (
            SELECT "at", lead("at") OVER said AS next,
                   {held_of("EXECUTION", "execution", False)}, {held_of("AVAILABILITY", "available", False)},
                   {held_of("CONTROLLER_MODE", "mode", True)}, {held_of("EMERGENCY_STOP", "estop", True)},
                   {held_of("PROGRAM", "program", True)}
            FROM '{path.as_posix()}' WHERE item IN ({texts(*ITEMS)})
            WINDOW said AS (ORDER BY {order} ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
        ), cut AS (
            SELECT greatest("at", first) AS start, least(coalesce(next, horizon), horizon) AS "end", execution, mode,
                   available, program,
                   CASE WHEN execution IS NULL OR execution = '{obs.UNAVAILABLE}' OR available = '{obs.UNAVAILABLE}'
                             THEN 'no signal'
                        WHEN estop = 'TRIGGERED' THEN 'stopped'
                        WHEN mode IN ({texts(*obs.MANUAL_MODES)}) THEN 'setting'
                        WHEN execution IN ({texts(*obs.RUNNING)}) THEN 'producing'
                        ELSE 'stopped' END AS kind
            FROM told, ends WHERE greatest("at", first) < least(coalesce(next, horizon), horizon)
        ), runs AS (
            SELECT *, CAST({differs} AS INTEGER) AS changed FROM cut
        ), numbered AS (
            SELECT *, sum(changed) OVER (ORDER BY start ROWS UNBOUNDED PRECEDING) AS run FROM runs
        )
        SELECT min(start) AS start, max("end") AS "end", {columns} FROM numbered GROUP BY run, {columns} ORDER BY start
    """
    with duckdb.connect() as base:
        return base.sql(query).to_arrow_table()


def polars_spans(path: Path) -> pl.DataFrame:
    """polars: the same in one pass

    What pandas and DuckDB are asked for and no more, in the library that runlog uses: how near its own steps
    could come.
    """
    item, text = pl.col("item"), pl.col("text")
    names = dict(zip(ITEMS, ("execution", "mode", "available", "estop", "program"), strict=True))
    first, horizon = (
        pl.scan_parquet(path)
        .filter(~item.is_in(obs.NOTES))
        .select(pl.col("at").filter(~pl.col("head")).min(), horizon=pl.col("at").max())
        .collect()
        .row(0)
    )
    lost = pl.any_horizontal(
        pl.col("execution").is_null(), *(pl.col(one) == obs.UNAVAILABLE for one in ("execution", "available"))
    )
    kind = (
        pl.when(lost)
        .then(pl.lit("no signal"))
        .when(pl.col("estop") == "TRIGGERED")
        .then(pl.lit("stopped"))
        .when(pl.col("mode").is_in(obs.MANUAL_MODES))
        .then(pl.lit("setting"))
        .when(pl.col("execution").is_in(obs.RUNNING))
        .then(pl.lit("producing"))
        .otherwise(pl.lit("stopped"))
    )
    same = ("kind", "execution", "mode", "available", "program")
    return (
        pl.scan_parquet(path)
        .filter(item.is_in(ITEMS))
        .sort("at", "body_start", "file", "line", "cell")
        .select(
            "at",
            *(
                pl.when((item == one) & ((text != obs.UNAVAILABLE) | (name in ("execution", "available"))))
                .then(text)
                .forward_fill()
                .alias(name)
                for one, name in names.items()
            ),
        )
        .with_columns(start=pl.col("at").clip(first), end=pl.col("at").shift(-1).fill_null(horizon).clip(None, horizon))
        .filter(pl.col("start") < pl.col("end"))
        .with_columns(kind=kind)
        .with_columns(begins=pl.any_horizontal(pl.col(one).ne_missing(pl.col(one).shift(1)) for one in same))
        .filter("begins")
        .with_columns(end=pl.col("start").shift(-1).fill_null(horizon))
        .select("start", "end", *same)
        .collect()
    )


PEERS: Final[dict[str, Work]] = {"pandas": pandas_spans, "duckdb": duckdb_spans, "polars": polars_spans}
"""What one would write otherwise, by the library it needs."""


# --- runlog -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Before:
    """What `derive` gives to its spans from the steps before them.

    Attributes
    ----------
    site : Site
    inputs : tuple of LazyFrame
        Reloads, counted parts, setting, presence, standard cycles: arguments of `spans.pieces`.
    causes : LazyFrame
        Causes of stops, for `spans.spans`.
    """

    site: Site
    inputs: tuple[pl.LazyFrame, ...]
    causes: pl.LazyFrame

    def without(self) -> "Before":
        """The same, had there been none of them."""
        return Before(self.site, tuple(frame.filter(False) for frame in self.inputs), self.causes.filter(False))


def before(path: Path, site: Site) -> Before:
    """Derive once, and keep what the spans were given."""
    with (
        patch.object(spans, "pieces", wraps=spans.pieces) as cut,
        patch.object(spans, "spans", wraps=spans.spans) as joined,
    ):
        derive(pl.scan_parquet(path), site)
    (_, *inputs, _), (_, causes) = cut.call_args.args, joined.call_args.args
    return Before(site, tuple(inputs), causes)


def runlog_spans(path: Path, given: Before, items: tuple[str, ...] = ()) -> pl.DataFrame:
    """The steps of `derive` from events to spans; of all items that it reads, or of some. Gives the pieces."""
    events = pl.scan_parquet(path)
    lives = held(obs.life(events, NOTHING.begins))
    first, last = lives.select(pl.col("first").min(), pl.col("horizon").max()).collect().row(0)
    machines = [machine.name for machine in given.site.machines]
    ctx = context(given.site, machines, first, last, PLANS.empty(), NOTHING)
    keyed = pl.col(BY).cast(ctx.key)
    if items:
        events = events.filter(pl.col("item").is_in(items))
    log = obs.read(events.with_columns(keyed), held(lives.with_columns(keyed)), ctx)
    reloaded, counted, setting, present, standard = given.inputs
    cut = spans.pieces(log, reloaded, counted, setting, present, standard, ctx).collect()
    spans.spans(cut.lazy(), given.causes).collect()
    return cut


# --- the same answer --------------------------------------------------------------------------------


def by_day(found: Any) -> pl.DataFrame:
    """Microseconds by day in UTC, EXECUTION and loss of signal, of anybody's spans: day, execution, lost, us."""
    frame = found if isinstance(found, pl.DataFrame) else pl.DataFrame(found)
    in_utc = pl.col("start", "end").dt.convert_time_zone("UTC").dt.cast_time_unit("us")
    day = pl.col("day").cast(pl.Datetime("us", "UTC"))
    within = pl.min_horizontal("end", day + pl.duration(days=1)) - pl.max_horizontal("start", day)
    return (
        frame.select(in_utc, "execution", lost=pl.col("kind") == "no signal")
        .with_columns(day=pl.date_ranges(pl.col("start").dt.date(), pl.col("end").dt.date()))
        .explode("day")
        .group_by("day", "execution", "lost")
        .agg(us=within.dt.total_microseconds().sum())
        .filter(pl.col("us") > 0)
        .sort("day", "execution", "lost")
    )


def agreeing(works: dict[str, Work], path: Path) -> str:
    """Say in how many seconds all of them agree; stop where they do not."""
    (first, expected), *others = ((name, by_day(work(path))) for name, work in works.items())
    for name, days in others:
        if not days.equals(expected):
            apart = days.join(expected, on=["day", "execution", "lost"], how="full", nulls_equal=True, suffix="_other")
            raise SystemExit(
                f"{name} and {first} differ, so their times cannot be compared:\n"
                f"{apart.filter(pl.col('us').ne_missing(pl.col('us_other')))}"
            )
    hours = expected["us"].sum() / 3.6e9
    return f"{hours:,.1f} h in {expected.height:,} sums by day, EXECUTION and signal, the same for {', '.join(works)}"


# --- the table --------------------------------------------------------------------------------------


def table(ours: dict[str, Time], theirs: dict[str, Time]) -> str:
    lines = [
        "| spans | against | runlog [s] | other [s] | ratio | of CPU time |",
        "| --- | --- | ---: | ---: | ---: | ---: |",
    ]
    for name, mine in ours.items():
        for peer, other in theirs.items():
            ratios = f"{mine.clock / other.clock:.1f} | {mine.cpu / other.cpu:.1f}"
            told = (PEERS[peer].__doc__ or "").splitlines()[0]
            lines.append(f"| {name} | {told} | {mine.clock:.2f} | {other.clock:.2f} | {ratios} |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=3, help="the shortest of so many runs counts")
    parser.add_argument("--weeks", type=int, default=52, help="weeks of the machine")
    parser.add_argument("--folder", type=Path, help="where the file is made; default the temporary folder")
    asked = parser.parse_args()
    if missing := [name for name in PEERS if not is_installed(name)]:
        raise SystemExit(f"Needed for this comparison only: pip install {' '.join(missing)}")
    with tempfile.TemporaryDirectory(dir=asked.folder) as place:
        path = Path(place) / "events.parquet"
        events, _, toml = simulate_frames(start=START, weeks=asked.weeks, seed=1, machines=1)
        events.write_parquet(path)
        given = before(path, parse_site(toml))
        works: dict[str, Work] = {
            "the same items": lambda log: runlog_spans(log, given.without(), ITEMS),
            "as derive cuts": lambda log: runlog_spans(log, given),
            **PEERS,
        }
        load = f", load {os.getloadavg()[0]:.0f}" if hasattr(os, "getloadavg") else ""
        sys.stdout.write(
            f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, {os.cpu_count()} cores, {platform.system()}{load}\n"
            f"{asked.weeks} weeks of a machine, {events.height:,} events; {agreeing(works, path)}\n\n"
        )
        times = timed(*(partial(work, path) for work in works.values()), rounds=asked.rounds)
    measured = dict(zip(works, times, strict=True))
    theirs = {name: measured.pop(name) for name in PEERS}
    sys.stdout.write(f"{table(measured, theirs)}\n")


if __name__ == "__main__":
    main()

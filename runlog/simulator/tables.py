"""From what was played out to frames: the events, and the truth."""

from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl

from runlog import schema
from runlog.simulator import accounts, hours, plans, stock
from runlog.simulator.diary import Diary
from runlog.simulator.hours import HOUR
from runlog.simulator.lathe import Lathe
from runlog.simulator.shop import RANK, SIGNALS
from runlog.simulator.truth import Truth, frame

LOG_SCHEMA = {
    "t": pl.Int64,
    "rank": pl.UInt8,
    "text": pl.String,
    "code": pl.String,
    "message": pl.String,
}


def log(diary: Diary) -> pl.DataFrame:
    """A machine's log in order: instant [ms], rank of the signal, text, code and message."""
    pieces = [_signal(key, chunks) for key, chunks in diary.log.items()]
    conditions = pl.DataFrame(
        [(at, RANK[key], level, code, text) for at, key, level, code, text in diary.conditions],
        schema=LOG_SCHEMA,
        orient="row",
    )
    return pl.concat([*pieces, conditions]).sort("t", "rank", maintain_order=True)


def _signal(key: str, chunks: list[tuple[np.ndarray, Any]]) -> pl.DataFrame:
    at = pl.Series("t", np.concatenate([at for at, _ in chunks]), pl.Int64)
    texts: list[str] = []
    for times, value in chunks:
        if isinstance(value, np.ndarray):
            texts += [f"{one:g}" if value.dtype.kind == "f" else str(one) for one in value.tolist()]
        else:
            texts += [str(value)] * len(times)
    return pl.DataFrame([at, pl.Series("text", texts, pl.String)]).select(
        "t",
        pl.lit(RANK[key], pl.UInt8).alias("rank"),
        "text",
        pl.lit(None, pl.String).alias("code"),
        pl.lit(None, pl.String).alias("message"),
    )


def events(lathes: list[Lathe]) -> pl.DataFrame:
    """All machines' logs and setup notes as `schema.EVENTS`."""
    frames = [_events(lathe.diary.machine, log(lathe.diary)) for lathe in lathes]
    return pl.concat([*frames, _note_events(lathes)]).sort("machine", "at", "body_start", "file", "line")


def _events(machine: str, rows: pl.DataFrame) -> pl.DataFrame:
    told = pl.DataFrame(
        {
            "rank": list(range(len(SIGNALS))),
            "item": [signal.item for signal in SIGNALS],
            "sub_type": [signal.sub_type for signal in SIGNALS],
            "component": [signal.component for signal in SIGNALS],
            "data_item": [signal.key for signal in SIGNALS],
            "type": [signal.type or None for signal in SIGNALS],
        },
        schema_overrides={"rank": pl.UInt8},
    )
    is_condition = pl.col("item") == "CONDITION"
    return _conform(
        rows.lazy()
        .join(told.lazy(), on="rank", how="left", maintain_order="left")
        .with_columns(
            machine=pl.lit(machine),
            level=pl.when(is_condition).then("text"),
            condition_id=pl.col("code"),
            source=pl.lit(f"{machine} log"),
            file=pl.lit(machine),
        )
    )


def _note_events(lathes: list[Lathe]) -> pl.DataFrame:
    rows = sorted((at, lathe.diary.machine, item, value) for lathe in lathes for at, item, value in lathe.diary.notes)
    noted = pl.DataFrame(
        rows, schema={"t": pl.Int64, "machine": pl.String, "item": pl.String, "text": pl.String}, orient="row"
    )
    nothing = pl.lit(None, pl.String)
    return _conform(
        noted.lazy().with_columns(
            sub_type=pl.lit(""), component=pl.lit("feeder"), data_item=pl.col("item").str.to_lowercase(),
            type=nothing, level=nothing, message=nothing, condition_id=nothing, code=nothing,
            source=pl.lit("setup notes"), file=pl.lit("setup-notes"),
        )
    )  # fmt: skip


def _conform(rows: pl.LazyFrame) -> pl.DataFrame:
    at = pl.from_epoch("t", "ms").dt.cast_time_unit("us").dt.replace_time_zone("UTC")
    full = rows.with_columns(
        at=at,
        stamped=at,
        number=pl.when(pl.col("item") != "BAR_LOT").then(pl.col("text").cast(pl.Float64, strict=False)),
        discrete=pl.col("item") == "BARS_LOADED",
        head=pl.lit(False),
        nth=pl.lit(0),
        body_start=at.min(),
        line=pl.int_range(1, pl.len() + 1),
        cell=pl.lit(0),
    )
    return schema.EVENTS.conform(full).collect()


def truths(lathes: list[Lathe]) -> list[Truth]:
    """The truth of every machine; notes of all of them are one source, so they share its end."""
    last_note = max(at for lathe in lathes for at, *_ in lathe.diary.notes)
    first = hours.clock(min(lathe.start for lathe in lathes)).date() - timedelta(days=1)
    found: list[Truth] = []
    for lathe in lathes:
        horizon = max(lathe.diary.horizon, last_note)
        shifts = hours.shifts(first, hours.clock(horizon + HOUR).date())
        found.append(Truth(lathe.diary, lathe.kind, shifts, horizon))
    return found


def truth(lathes: list[Lathe]) -> dict[str, pl.DataFrame]:
    """One frame a fact table."""
    known = truths(lathes)
    rows = {
        "spans": [row for one in known for row in one.span_rows()],
        "parts": [row for one in known for row in one.part_rows()],
        "reloads": [row for one in known for row in one.reload_rows()],
        "bars": [row for one in known for row in stock.bar_rows(one)],
        "stops": [row for one in known for row in one.stop_rows()],
        "alarms": [row for one in known for row in one.alarm_rows()],
        "unattended_runs": [row for one in known for row in plans.run_rows(one)],
        "changeovers": [row for one in known for row in one.changeover_rows()],
    }
    since, now = min(one.start for one in known), max(one.horizon for one in known)
    shifts = [accounts.Accounts(one, since, now) for one in known]
    rows["shift_figures"] = [row for one in shifts for row in one.figure_rows()]
    rows["shift_plans"] = [row for one in shifts for row in plans.plan_rows(one.truth, one.shifts)]
    rows["shift_losses"] = [row for one in shifts for row in one.loss_rows()]
    rows["shift_loads"] = [row for one in shifts for row in one.load_rows()]
    return {name: frame(content, schema.TABLES[name]) for name, content in rows.items()}

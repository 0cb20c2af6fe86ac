"""Writes the log of a machine in one of the formats, by whole columns.

Every file covers whole local days. Stamps carry six digits of a second, so that nothing is lost.
"""

import gzip
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from runlog.simulator import hours
from runlog.simulator.hours import MINUTE
from runlog.simulator.shop import NOTE_ITEMS, RANK, SIGNALS, ZONE
from runlog.simulator.sitefile import EXTENSIONS, WORDS

_UTC_STAMP = "%Y-%m-%dT%H:%M:%S%.6fZ"
_LOCAL_STAMP = "%Y-%m-%d %H:%M:%S%.6f"
_COMPONENTS = {
    "path": "Path",
    "feeder": "BarFeeder",
    "main": "Rotary",
    "sub": "Rotary",
    "door": "Door",
    "coolant": "Coolant",
}
_NAMESPACE = "urn:mtconnect.org:MTConnectStreams:1.8"


@dataclass(frozen=True)
class Sheet:
    """One file of one machine: its rows in order, and those before it, for what a head restates."""

    machine: str
    day: date
    rows: pl.DataFrame
    before: pl.DataFrame
    instance: int
    first_sequence: int


def sheets(machine: str, rows: pl.DataFrame, first: date, days_a_file: int) -> list[Sheet]:
    """Cut a log at local midnights."""
    at = rows["t"].to_numpy()
    last = hours.clock(int(at[-1])).date()
    found: list[Sheet] = []
    day = first
    while day <= last:
        a = hours.local(day, time(0))
        b = hours.local(day + timedelta(days=days_a_file), time(0))
        low, high = int(np.searchsorted(at, a)), int(np.searchsorted(at, b))
        if high > low:
            instance = hours.local(first, time(0)) // 1000
            found.append(Sheet(machine, day, rows[low:high], rows[:low], instance, low + 1))
        day += timedelta(days=days_a_file)
    return found


def text_of(sheet: Sheet, form: str) -> str:
    """The content of one file."""
    return {
        "csv long": _csv_long,
        "csv wide": _csv_wide,
        "adapter lines": _adapter_lines,
        "mtconnect streams": _streams,
    }[form](sheet)


def name_of(sheet: Sheet, form: str) -> str:
    """The name of one file."""
    return f"{sheet.machine}_{sheet.day}.{EXTENSIONS[form]}"


def put(folder: Path, name: str, content: str, *, packed: bool) -> None:
    """Write a file, packed or not."""
    data = content.encode()
    if packed:
        # Without a name and time inside, equal content gives equal bytes.
        (folder / f"{name}.gz").write_bytes(gzip.compress(data, 4, mtime=0))
    else:
        (folder / name).write_bytes(data)


def notes_text(notes: Sequence[tuple[int, str, str, str]]) -> str:
    """The setup notes of all machines as a wide CSV: instant [ms], machine, item, value."""
    rows: dict[tuple[int, str], dict[str, str]] = {}
    for at, machine, item, value in sorted(notes):
        rows.setdefault((at, machine), {})[item] = value
    lines = [",".join(["time", "machine", *(item.lower() for item in NOTE_ITEMS)])]
    for (at, machine), told in rows.items():
        stamp = hours.clock(at).strftime("%Y-%m-%d %H:%M:%S.%f")
        lines.append(",".join([stamp, machine, *(told.get(item, "") for item in NOTE_ITEMS)]))
    return "\n".join(lines) + "\n"


def _stamp(form: str = _UTC_STAMP) -> pl.Expr:
    at = pl.from_epoch("t", "ms").dt.cast_time_unit("us").dt.replace_time_zone("UTC")
    return (at.dt.convert_time_zone(ZONE) if form == _LOCAL_STAMP else at).dt.strftime(form)


def _key() -> pl.Expr:
    return pl.col("rank").replace_strict(dict(enumerate(RANK)), return_dtype=pl.String)


def _own_words() -> pl.Expr:
    text = pl.col("text")
    for item, words in WORDS.items():
        ranks = [rank for rank, signal in enumerate(SIGNALS) if signal.item == item]
        own = {standard: word for word, standard in words.items()}
        text = pl.when(pl.col("rank").is_in(ranks)).then(text.replace(own)).otherwise(text)
    return text


def _csv_long(sheet: Sheet) -> str:
    return sheet.rows.select(
        _stamp().alias("time"),
        pl.lit(sheet.machine).alias("machine"),
        _key().alias("signal"),
        _own_words().alias("value"),
        "code",
        "message",
    ).write_csv()


def _csv_wide(sheet: Sheet) -> str:
    told = sheet.rows.with_columns(_own_words().alias("text"))
    present = [key for key, rank in RANK.items() if rank in set(told["rank"].unique().to_list())]
    cells = [pl.col("text").filter(pl.col("rank") == RANK[key]).last().alias(key) for key in present]
    side = [pl.col(name).drop_nulls().first() for name in ("code", "message")]
    return (
        told.group_by("t", maintain_order=True)
        .agg(*cells, *side)
        .select(_stamp(_LOCAL_STAMP).alias("time"), *present, "code", "message")
        .write_csv()
    )


def _is_condition() -> pl.Expr:
    return pl.col("rank").is_in([RANK[signal.key] for signal in SIGNALS if signal.item == "CONDITION"])


def _adapter_lines(sheet: Sheet) -> str:
    rows = pl.concat([_head(sheet), sheet.rows])
    plain = pl.format("{}|{}|{}", _stamp(), _key(), "text")
    condition = pl.format(
        "{}|{}|{}|{}|||{}", _stamp(), _key(), "text", pl.col("code").fill_null(""), pl.col("message").fill_null("")
    )
    line = pl.when(_is_condition()).then(condition).otherwise(plain).alias("line")
    return "\n".join(rows.select(line)["line"]) + "\n"


def _head(sheet: Sheet) -> pl.DataFrame:
    """What a recorder writes first into each file: the last known value of every key, under its old stamp."""
    if sheet.before.height == 0:
        first = sheet.rows.filter(pl.col("t") == pl.col("t").first())
        return first.with_columns(
            pl.col("t") - 10 * MINUTE,
            pl.lit("UNAVAILABLE").alias("text"),
            pl.lit(None, pl.String).alias("code"),
            pl.lit(None, pl.String).alias("message"),
        )
    levels = pl.col("text").is_in(["FAULT", "WARNING"])
    known = sheet.before.with_columns(_is_condition().alias("is_condition"))
    cleared = known.filter(~levels).group_by("rank").agg(pl.col("t").last().alias("cleared"))
    last = known.group_by("rank", maintain_order=True).last()
    standing = (
        known.filter(pl.col("is_condition") & levels)
        .join(cleared, on="rank", how="left")
        .filter(pl.col("t") > pl.col("cleared"))
    )
    keep = last.filter(~(pl.col("is_condition") & levels))
    names = ["t", "rank", "text", "code", "message"]
    return pl.concat([keep.select(names), standing.select(names)]).sort("rank", "t")


def _streams(sheet: Sheet) -> str:
    rows = sheet.rows.with_row_index("sequence", offset=sheet.first_sequence).with_columns(_stamp().alias("stamp"))
    pieces: list[str] = []
    for component, element in _COMPONENTS.items():
        body = _component(rows, component)
        if body:
            pieces.append(
                f'   <ComponentStream component="{element}" name="{component}" componentId="{component}">\n'
                f"{body}   </ComponentStream>\n"
            )
    last = sheet.first_sequence + rows.height - 1
    made = datetime.fromtimestamp(int(rows["t"][-1]) / 1000 + 60, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<MTConnectStreams xmlns="{_NAMESPACE}">\n'
        f' <Header creationTime="{made}" sender="cellpc" instanceId="{sheet.instance}" version="1.8.0.3" '
        f'bufferSize="1048576" firstSequence="{sheet.first_sequence}" lastSequence="{last}" '
        f'nextSequence="{last + 1}"/>\n <Streams>\n  <DeviceStream name="{sheet.machine}" uuid="u-{sheet.machine}">\n'
        + "".join(pieces)
        + "  </DeviceStream>\n </Streams>\n</MTConnectStreams>\n"
    )


def _component(rows: pl.DataFrame, component: str) -> str:
    out: list[str] = []
    for category in ("Samples", "Events", "Condition"):
        told: list[str] = []
        for signal in SIGNALS:
            if signal.component != component or signal.category != category:
                continue
            own = rows.filter(pl.col("rank") == RANK[signal.key])
            if own.height:
                told += own.select(_element(signal.key).alias("line"))["line"].to_list()
        if told:
            out.append(f"    <{category}>\n" + "\n".join(told) + f"\n    </{category}>\n")
    return "".join(out)


def _element(key: str) -> pl.Expr:
    signal = SIGNALS[RANK[key]]
    text = pl.col("text").str.replace_all("&", "&amp;", literal=True).str.replace_all("<", "&lt;", literal=True)
    if signal.category != "Condition":
        sub_type = f' subType="{signal.sub_type}"' if signal.sub_type else ""
        return pl.format(
            f'     <{signal.element} dataItemId="{key}" sequence="{{}}" timestamp="{{}}"{sub_type}>'
            f"{{}}</{signal.element}>",
            "sequence",
            "stamp",
            text,
        )
    level = pl.col("text").str.to_titlecase()
    code = pl.when(pl.col("code").is_null()).then(pl.lit("")).otherwise(pl.format(' nativeCode="{}"', "code"))
    return pl.format(
        f'     <{{}} dataItemId="{key}" sequence="{{}}" timestamp="{{}}" type="{signal.type}"{{}}>{{}}</{{}}>',
        level,
        "sequence",
        "stamp",
        code,
        pl.col("message").fill_null(""),
        level,
    )

"""Which column of a CSV is what: as its source tells, else by names that programs give."""

from dataclasses import dataclass
from typing import Final

import polars as pl

from runlog.errors import ReadingError
from runlog.intake.csv_records import Records, Wanted
from runlog.site import Csv

TIME_NAMES: Final = (
    "time", "timestamp", "datetime", "date_time", "date time", "date/time", "date", "ts", "at", "zeit", "zeitstempel",
    "zeitpunkt", "datum", "datum/zeit", "datum/uhrzeit", "uhrzeit", "heure", "horodatage", "fecha", "hora", "ora",
    "data", "clock", "logged at", "logged_at", "event time", "event_time", "occurred", "stamp",
)  # fmt: skip
DATE_NAMES: Final = ("date", "datum", "day", "tag", "fecha", "data")
MACHINE_NAMES: Final = (
    "machine", "machine_name", "machine name", "machine_id", "machine id", "device", "asset", "maschine", "maschine_nr",
    "workcenter", "work center", "work_center", "lathe", "station", "equipment", "resource",
)  # fmt: skip
SIGNAL_NAMES: Final = (
    "signal", "item", "data_item", "dataitem", "data item", "name", "tag", "key", "variable", "parameter", "channel",
    "signal_name", "signal name", "tagname", "point",
)  # fmt: skip
VALUE_NAMES: Final = ("value", "val", "wert", "valeur", "valor", "reading", "state")
CODE_NAMES: Final = ("code", "native_code", "alarm_code")
MESSAGE_NAMES: Final = ("message", "text", "description")
CLOCK_ONLY: Final = r"^\s*\d{1,2}:\d{2}(:\d{2}([.,:]\d+)?)?\s*([AaPp]\.?[Mm]\.?)?\s*$"


@dataclass(frozen=True)
class Columns:
    """Which field of a record is what, by its name in `Records.cells`."""

    time: str
    date: str | None
    machine: str | None
    signal: str | None
    value: str | None
    code: str | None
    message: str | None
    others: dict[str, str]
    """Field to header name, of all columns that are none of the above."""
    missed: list[str]
    """Columns for codes and words that the source names and this file does not have."""


def is_header(told: Csv | None) -> Wanted:
    """Tells a header line: it has the columns the source names, else one that is called like a time."""
    if told is None:
        return lambda names: len(names) > 1 and any(name.lower() in TIME_NAMES for name in names)
    wanted = {name.strip().lower() for name in (told.time, told.date, told.machine, told.signal, told.value) if name}
    return lambda names: wanted <= {name.lower() for name in names}


def find_columns(read: Records, told: Csv | None) -> Columns:
    """Find the columns; ReadingError if one that is needed is not there."""
    field = {name.lower(): str(number) for number, name in reversed(list(enumerate(read.header)))}
    found = _told(field, read.header, told) if told else _guessed(field)
    time = found["time"]
    if time is None:
        raise ReadingError(
            f"columns {_shown(read.header)} found, one named time or timestamp expected; csv.time can name another"
        )
    if found["date"] is None and _holds_clocks(read.cells, time):
        found["date"] = next((field[name] for name in DATE_NAMES if name in field and field[name] != time), None)
    used = set(found.values())
    others = {str(n): name or f"column {n + 1}" for n, name in enumerate(read.header) if str(n) not in used}
    names = {"code": told.code, "message": told.message} if told else {}
    missed = [name for key, name in names.items() if name and found[key] is None]
    rest = {key: field for key, field in found.items() if key != "time"}
    return Columns(time=time, **rest, others=others, missed=missed)


def _told(field: dict[str, str], header: list[str], told: Csv) -> dict[str, str | None]:
    found: dict[str, str | None] = {}
    for key in ("time", "date", "machine", "signal", "value", "code", "message"):
        name: str | None = getattr(told, key)
        found[key] = field.get(name.strip().lower()) if name else None
        # Programs add columns over the years: that older files have no codes or words is no reason to refuse them.
        if name and found[key] is None and key not in ("code", "message"):
            raise ReadingError(
                f"columns {_shown(header)} found, {name!r} among them expected (csv.{key} of the source)"
            )
    return found


def _guessed(field: dict[str, str]) -> dict[str, str | None]:
    def named(names: tuple[str, ...]) -> str | None:
        return next((field[name] for name in names if name in field), None)

    found = {"time": named(TIME_NAMES), "date": None, "machine": named(MACHINE_NAMES)}
    signal, value = named(SIGNAL_NAMES), named(VALUE_NAMES)
    if signal is None or value is None:
        return found | dict.fromkeys(("signal", "value", "code", "message"))
    return found | {"signal": signal, "value": value, "code": named(CODE_NAMES), "message": named(MESSAGE_NAMES)}


def _holds_clocks(cells: pl.DataFrame, time: str) -> bool:
    """Whether the time column holds times of day without a date."""
    first = cells[time].drop_nulls().head(20) if time in cells.columns else pl.Series(dtype=pl.String)
    return bool(len(first)) and bool(first.str.contains(CLOCK_ONLY).all())


def _shown(header: list[str]) -> str:
    return ", ".join(header[:20]) + (", ..." if len(header) > 20 else "")

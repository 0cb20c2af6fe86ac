"""The shape of a CSV that nobody described: what parts its fields, where its header is, what its columns hold."""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from runlog.errors import ReadingError
from runlog.inspect.guess import guess_key
from runlog.intake.csv_columns import (
    CLOCK_ONLY,
    DATE_NAMES,
    MACHINE_NAMES,
    SIGNAL_NAMES,
    TIME_NAMES,
    VALUE_NAMES,
    is_header,
)
from runlog.intake.csv_numbers import sure_mark
from runlog.intake.csv_records import DELIMITERS, MOST_PREAMBLE, Records, decoded, fields_of, records
from runlog.intake.csv_times import day_comes_first, read_times

_LOOKED_AT: Final = 400
_CODE_NAMES: Final = (
    "code", "native_code", "alarm_code", "alarm code", "alarm no", "alarm number", "error code", "fehlernummer", "no",
    "nr", "number",
)  # fmt: skip
_MESSAGE_NAMES: Final = (
    "message", "text", "description", "alarm text", "alarm_text", "alarm message", "alarm_message", "meldung",
    "fehlertext", "words", "comment",
)  # fmt: skip
_MOST_SIGNALS: Final = 300
_MOST_MACHINES: Final = 200
_READABLE: Final = 0.5
_DAY: Final = r"^\s*\d{1,4}[./-]\d{1,2}[./-]\d{1,4}([T ]00?:00(:00)?)?\s*$"
_MOST_VALUES: Final = 200


@dataclass(frozen=True)
class CsvShape:
    """What a CSV looks like.

    Attributes
    ----------
    read : Records
        The file, split.
    headed : bool
        Whether it has a header row.
    csv : dict of str to str, bool or list
        As the `csv` of a source takes it.
    stamps : pl.Series
        Time stamps as written, date and time of two columns joined.
    day_first : bool or None
        Where dates with slashes or the like need it to be told.
    machines : list of str
        Different names in the column of the machine; empty without one.
    signals : dict of str to list of str
        By signal or column, some of its different values.
    """

    read: Records
    headed: bool
    csv: dict[str, Any]
    stamps: pl.Series
    day_first: bool | None
    machines: list[str]
    signals: dict[str, list[str]]


def csv_shape(content: bytes, known_machines: list[str]) -> CsvShape:
    """Find the shape of a CSV; ReadingError if there are no columns, or none with times."""
    text = decoded(content)
    lines = [line for line in text.splitlines()[:_LOOKED_AT] if line.strip()]
    delimiter, width = _delimiter(lines)
    header = _header(lines, delimiter, width)
    columns = None if header else [f"c{number}" for number in range(1, width + 1)]
    read = records(content, delimiter, wanted=lambda found: found == header, columns=columns)
    if not read.cells.height:
        raise ReadingError("no row of as many fields as the header found, at least one expected")
    # Where lines break otherwise than they seem to, the reader takes another line as the header.
    names = read.header
    found = _roles(read, names, known_machines)
    if header is None or not found.time_name:
        # Names of our own say more than `c1`; a header that leaves the time without a name becomes a reject.
        names, found = _named(names, found)
    return _shape(read, names, found, headed=header is not None)


@dataclass
class _Roles:
    """Numbers of the columns; -1 where there is none."""

    time: int
    date: int = -1
    machine: int = -1
    signal: int = -1
    value: int = -1
    code: int = -1
    message: int = -1
    time_name: str = ""

    def each(self) -> Iterator[tuple[str, int]]:
        for role in ("time", "date", "machine", "signal", "value", "code", "message"):
            if getattr(self, role) >= 0:
                yield role, getattr(self, role)


# --- fields and header -------------------------------------------------------------------------------


def _delimiter(lines: list[str]) -> tuple[str, int]:
    """What parts the fields, and how many most lines have."""
    best = (0, 0, ",", 1)
    for mark in DELIMITERS:
        counts = Counter(re.sub('"[^"]*"', "", line).count(mark) for line in lines)
        counts.pop(0, None)
        if counts:
            often, fields = max((often, fields) for fields, often in counts.items())
            best = max(best, (often, fields, mark, fields + 1))
    if best[3] < 2:
        shown = repr(lines[0][:60]) if lines else "nothing"
        raise ReadingError(f"{shown} found, fields parted by one of , ; | or a tab expected")
    return best[2], best[3]


def _header(lines: list[str], delimiter: str, width: int) -> list[str] | None:
    rows = [fields_of(line, delimiter) for line in lines[:MOST_PREAMBLE]]
    named = next((row for row in rows if len(row) > 1 and is_header(None)(row)), None)
    first = named or next((row for row in rows if len(row) == width), None)
    if first is None or (named is None and _holds_data(first)):
        return None
    return first


def _holds_data(row: list[str]) -> bool:
    """Whether a row holds a time or mostly numbers: names of columns do neither."""
    cells = pl.Series(row, dtype=pl.String)
    timed = (
        cells.str.contains(CLOCK_ONLY) | cells.str.contains(_DAY) | read_times(cells, "UTC")["stamped"].is_not_null()
    )
    numbers = cells.str.contains(r"^[+-]?[\d.,]+$")
    return bool(timed.any()) or 2 * int(numbers.sum()) > len(row)


# --- what the columns hold ---------------------------------------------------------------------------


def _roles(read: Records, names: list[str], known_machines: list[str]) -> _Roles:
    lower = [name.lower() for name in names]
    roles = _time(read, lower)
    roles.time_name = names[roles.time]
    free = [n for n in range(len(names)) if n not in (roles.time, roles.date)]
    roles.machine = _machine(read, lower, free, known_machines)
    free = [n for n in free if n != roles.machine]
    roles.signal, roles.value = _signal(read, lower, free)
    free = [n for n in free if n not in (roles.signal, roles.value)]
    alarms = [n for n in free if (key := guess_key(names[n])) and key.item == "CONDITION"]
    long = roles.signal >= 0
    codes = [n for n in free if lower[n] in _CODE_NAMES]
    words = [n for n in free if lower[n] in _MESSAGE_NAMES]
    # In a wide file, codes and words belong to the column of the alarms; without one, the code is the alarm.
    if codes and (long or set(alarms) - set(codes)):
        roles.code = codes[0]
    if words and (long or set(alarms) - set(words)):
        roles.message = words[0]
    return roles


def _time(read: Records, lower: list[str]) -> _Roles:
    samples = [read.cells[str(n)].drop_nulls().head(_LOOKED_AT) for n in range(len(lower))]
    clocks = [n for n, some in enumerate(samples) if _mostly(some.str.contains(CLOCK_ONLY))]
    days = [n for n, some in enumerate(samples) if _mostly(some.str.contains(_DAY))]
    readable = [n for n, some in enumerate(samples) if n not in days and _mostly(_readable(some))]
    named = [n for n in readable if lower[n] in TIME_NAMES]
    if named or (readable and not (clocks and days)):
        return _Roles((named or readable)[0])
    if clocks and days:
        return _Roles(clocks[0], date=next((n for n in days if lower[n] in DATE_NAMES), days[0]))
    raise ReadingError(
        f"columns {', '.join(lower[:20])} found, one with times expected such as 2026-01-04T21:12:05.123Z"
    )


def _readable(some: pl.Series) -> pl.Series:
    return read_times(some, "UTC", day_first=day_comes_first(some)[0])["stamped"].is_not_null()


def _mostly(true: pl.Series) -> bool:
    return bool(len(true)) and int(true.sum()) > _READABLE * len(true)


def _machine(read: Records, lower: list[str], free: list[int], known: list[str]) -> int:
    here = {name.lower() for name in known}
    for n in free:
        values = [value.lower() for value in read.cells[str(n)].unique().drop_nulls()]
        if 0 < len(values) <= _MOST_MACHINES and (lower[n] in MACHINE_NAMES or (here and set(values) <= here)):
            return n
    return -1


def _signal(read: Records, lower: list[str], free: list[int]) -> tuple[int, int]:
    """Columns of signal and value of a long file, (-1, -1) for a wide one."""
    signal = next((n for name in SIGNAL_NAMES for n in free if lower[n] == name), -1)
    value = next((n for name in VALUE_NAMES for n in free if lower[n] == name and n != signal), -1)
    if signal >= 0 and value >= 0 and read.cells[str(signal)].n_unique() <= _MOST_SIGNALS:
        return signal, value
    for n in free:
        values = read.cells[str(n)].unique().drop_nulls()
        rest = [m for m in free if m != n and lower[m] not in (*_CODE_NAMES, *_MESSAGE_NAMES)]
        if rest and 2 <= len(values) <= _MOST_SIGNALS and _name_signals(values):
            return n, rest[0]
    return -1, -1


def _name_signals(values: pl.Series) -> bool:
    guesses = [guess_key(value) for value in values]
    known = {key.item for key in guesses if key}
    return len(known) >= 2 and sum(key is not None for key in guesses) > _READABLE * len(guesses)


# --- all of it ---------------------------------------------------------------------------------------


def _named(names: list[str], roles: _Roles) -> tuple[list[str], _Roles]:
    named = list(names)
    for role, n in roles.each():
        named[n] = role
    roles.time_name = "time"
    return named, roles


def _shape(read: Records, names: list[str], roles: _Roles, *, headed: bool) -> CsvShape:
    csv: dict[str, Any] = {role: names[n] for role, n in roles.each()}
    csv["delimiter"] = read.delimiter
    if names != read.header or not headed:
        csv["columns"] = names
    stamps = read.cells[str(roles.time)]
    if roles.date >= 0:
        day = pl.col(str(roles.date)).str.replace(r"[T ]00?:00(:00(\.0+)?)?$", "")
        stamps = read.cells.select(pl.concat_str(day, str(roles.time), separator=" ").alias("s")).to_series()
    day_first = _day_first(stamps)
    if day_first is not None:
        csv["day_first"] = day_first
    signals = _signals(read, names, roles)
    numbers = pl.Series([value for values in signals.values() for value in values], dtype=pl.String)
    if mark := sure_mark(numbers):
        csv["decimal"] = mark
    machines = read.cells[str(roles.machine)].unique().drop_nulls().sort().to_list() if roles.machine >= 0 else []
    return CsvShape(read, headed, csv, stamps, day_first, machines, signals)


def _day_first(stamps: pl.Series) -> bool | None:
    told = stamps.str.contains(r"^\s*\d{1,2}[/-]\d{1,2}[/-]\d{2,4}")
    return day_comes_first(stamps)[0] if told.any() else None


def _signals(read: Records, names: list[str], roles: _Roles) -> dict[str, list[str]]:
    if roles.signal >= 0:
        signal, value = str(roles.signal), str(roles.value)
        by_signal = read.cells.group_by(signal, maintain_order=True).agg(pl.col(value).drop_nulls().unique())
        return {
            name: values[:_MOST_VALUES]
            for name, values in by_signal.drop_nulls(signal).sort(signal).iter_rows()
            if name
        }
    used = {n for _, n in roles.each()}
    return {
        name or f"column {n + 1}": read.cells[str(n)].drop_nulls().unique(maintain_order=True).to_list()[:_MOST_VALUES]
        for n, name in enumerate(names)
        if n not in used
    }

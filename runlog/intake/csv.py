"""CSV: one value a row (long: time, signal, value) or one signal a column (wide: a row a change or a tick).

What a column or signal stands for comes from the source's `keys`. One that they do not name is kept: as the
standard item if it has the name of one, else as `x:NAME`. Without a `csv` table the columns are guessed from
their names.

* An empty cell says nothing. Two exceptions, both for conditions: an empty value in a long row, and an empty
  cell in a wide row in which all of at least two other columns are filled (a tick), mean NORMAL.
* A condition's value is its level; empty, `0` and `NONE` are NORMAL, anything else is a FAULT with that as its code.
* A row of a wrong width, without a readable time or of an unknown machine is one reject.
"""

from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import polars as pl

from runlog.errors import ReadingError
from runlog.intake.csv_columns import Columns, find_columns, is_header
from runlog.intake.csv_numbers import Mark, with_numbers
from runlog.intake.csv_records import Records, encoding_of, records
from runlog.intake.csv_times import Order, carry_their_zone, date_order, day_comes_first, read_times
from runlog.intake.names import MachineNames
from runlog.intake.reading import OBSERVATIONS, REFUSED, CannotFollowError, Offered
from runlog.intake.vocabulary import (
    CONDITION,
    LEVELS,
    Meaning,
    spell,
    told_by_site,
    unmapped,
)
from runlog.site import Site, Source

_CLEAR: Final = ("", "0", "NONE")
_LEAST_TICK: Final = 2


@dataclass(frozen=True)
class Dialect:
    """What a CSV file showed of itself, and must show again in what comes after.

    Attributes
    ----------
    encoding : str
        "utf-8" or "cp1252": lines of any other cannot be told apart by their bytes.
    head : str
        The header as it stands there; empty of a file without one.
    delimiter : str
        What parts the fields.
    has_date : bool
        Whether day and time of day are two columns.
    order : str
        What its stamps show of the order of day and month.
    mark : tuple of str and bool, optional
        Its decimal mark, see `csv_numbers.Mark`.
    """

    encoding: str
    head: str
    delimiter: str
    has_date: bool
    order: Order
    mark: tuple[str, bool] | None

    def text_of(self, content: bytes) -> str:
        """Lines that come after, below the header."""
        try:
            text = content.decode(self.encoding, errors="strict" if self.encoding == "utf-8" else "replace")
        except UnicodeDecodeError:
            raise CannotFollowError("another encoding than that of the lines before") from None
        return f"{self.head}\n{text}" if self.head else text


def read_csv(content: bytes, source: Source, site: Site, dialect: dict[str, Any] | None = None) -> Offered:
    """Read a CSV file.

    Parameters
    ----------
    content : bytes
        The whole file, unpacked, or whole lines of it.
    source : Source
        Whose columns, keys, values, machines and time zone hold.
    site : Site
        Names its machines, and the zone of stamps without one.
    dialect : dict, optional
        That of the lines before, where these come after others.

    Returns
    -------
    Offered

    Raises
    ------
    ReadingError
        The header lacks a column that is needed.
    CannotFollowError
        With `dialect`: the lines must be read together with those before.
    """
    before = Dialect(**dialect) if dialect is not None else None
    if not content.strip():
        return Offered(pl.DataFrame(schema=OBSERVATIONS), pl.DataFrame(schema=REFUSED), 0, 0, "nothing in it", dialect)
    told = source.csv
    read = _records(content, source, before)
    columns = find_columns(read, told)
    order = _order(_stamps(read.cells, columns), source, before)
    rows, refused = _placed(read, columns, source, site, order)
    values = _long(rows, columns) if columns.signal else _wide(rows, columns, source)
    values, ignored = _without_ignored(values, source)
    mark = Mark(*before.mark) if before and before.mark else None
    observations, mark = with_numbers(
        _observations(values, source), read.delimiter, told.decimal if told else None, mark
    )
    found = Dialect(encoding_of(content), read.head, read.delimiter, columns.date is not None, order, mark)
    if before and (found.has_date != before.has_date or not read.is_plain):
        raise CannotFollowError("lines that look otherwise than those before")
    shift = -(before.head.count("\n") + 1) if before and before.head else 0
    rejects = pl.concat([_ragged(read), refused]).sort("line", "cell")
    return Offered(
        observations=observations.select(pl.col(name).cast(dtype) for name, dtype in OBSERVATIONS.items()).with_columns(
            pl.col("line") + shift
        ),
        rejects=rejects.with_columns(pl.col("line") + shift),
        rows=len(read.cells) + len(read.ragged) + read.preamble,
        ignored=ignored + read.preamble,
        note="; ".join(_notes(read, columns, values, source)),
        dialect=_carried(found, before, is_plain=read.is_plain),
        zoned=carry_their_zone(rows["stamp"]),
    )


def _records(content: bytes, source: Source, before: Dialect | None) -> Records:
    told = source.csv
    columns = told.columns if told else None
    if before:
        return records(before.text_of(content), before.delimiter, columns=columns)
    return records(content, told.delimiter if told else None, wanted=is_header(told), columns=columns)


def _order(stamps: pl.Series, source: Source, before: Dialect | None) -> Order:
    """The order of day and month: what the source tells, else the stamps here, else those before."""
    if source.csv and source.csv.day_first is not None:
        return "day first" if source.csv.day_first else "month first"
    found = date_order(stamps)
    if before is None or found == before.order or (before.order == "any" and found != "unsure"):
        return found
    if before.order != "any" and found in ("any", "unsure"):
        return before.order
    raise CannotFollowError("days and months in another order than before")


def _carried(found: Dialect, before: Dialect | None, *, is_plain: bool) -> dict[str, Any] | None:
    """What is remembered for the lines that come after; None if they can change what was read here."""
    if not is_plain or found.order == "unsure" or found.encoding not in ("utf-8", "cp1252"):
        return None
    return asdict(replace(found, encoding=before.encoding) if before else found)


# --- rows ------------------------------------------------------------------------------------------


def _ragged(read: Records) -> pl.DataFrame:
    reason = pl.format("{} fields found, {} expected", "fields", pl.lit(len(read.header)))
    return _refused(read.ragged, reason)


def _refused(frame: pl.DataFrame, reason: pl.Expr) -> pl.DataFrame:
    chosen = frame.select("line", pl.lit(0).alias("cell"), "raw", reason.alias("reason"))
    return chosen.cast(REFUSED)


def _placed(
    read: Records, columns: Columns, source: Source, site: Site, order: Order
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows with `machine` and `stamped`, and those refused because they lack one."""
    rows = _with_machine(read.cells, columns, source, site)
    stamps = _stamps(rows, columns)
    day_first = order == "day first" if order.endswith("first") else day_comes_first(stamps)[0]
    rows = _with_time(rows.with_columns(stamps.alias("stamp")), source.time_zone or site.site.time_zone, day_first)
    bad = pl.col("problem").is_not_null()
    if rows["problem"].null_count() < len(rows):
        refused = _refused(rows.filter(bad).join(read.raw, on="line", how="left"), pl.col("problem"))
        return rows.filter(~bad), refused
    return rows, pl.DataFrame(schema=REFUSED)


def _with_machine(cells: pl.DataFrame, columns: Columns, source: Source, site: Site) -> pl.DataFrame:
    names = MachineNames(source, site)
    only = source.machine or (site.machines[0].name if len(site.machines) == 1 else None)
    if columns.machine is None:
        if only is None:
            raise ReadingError(
                f"no column with the machine's name found, one expected; else give `machine` of source {source.name!r}"
            )
        return cells.with_columns(machine=pl.lit(only), stranger=pl.lit(None, pl.String))
    found = cells[columns.machine].unique().to_list()
    known = {name: names.machine(name or "") or (only if name is None else None) for name in found}
    wanted = f"a machine of the site, or one in `machines` of source {source.name!r}, expected"
    strangers = {name: f"machine {name!r} found, {wanted}" if name else f"no machine found, {wanted}" for name in found}
    told = pl.DataFrame(
        [(name, machine, None if machine else strangers[name]) for name, machine in known.items()],
        schema={columns.machine: pl.String, "machine": pl.String, "stranger": pl.String},
        orient="row",
    )
    return cells.join(told, on=columns.machine, how="left", nulls_equal=True, maintain_order="left")


def _stamps(rows: pl.DataFrame, columns: Columns) -> pl.Series:
    """Stamps as they stand there; date and time of two columns joined."""
    if columns.date is None:
        return rows[columns.time]
    # A spreadsheet adds a midnight to a day.
    day = pl.col(columns.date).str.replace(r"[T ]00?:00(:00(\.0+)?)?$", "")
    return rows.select(pl.concat_str(day, columns.time, separator=" ").alias("stamp")).to_series()


def _with_time(rows: pl.DataFrame, zone: str, day_first: bool) -> pl.DataFrame:
    # Machine by machine: in the hour that autumn repeats, order tells, and it is each machine's own.
    parts = rows.partition_by("machine", maintain_order=True) if rows["machine"].n_unique() > 1 else [rows]
    placed = [part.hstack(read_times(part["stamp"], zone, day_first=day_first)) for part in parts]
    joined = pl.concat(placed).sort("line") if len(placed) > 1 else placed[0]
    return joined.with_columns(pl.coalesce("stranger", "problem").alias("problem")).drop("stranger")


# --- values ----------------------------------------------------------------------------------------


def _kept(columns: Columns) -> list[pl.Expr]:
    side = {"code": columns.code, "message": columns.message}
    return [
        pl.col("line"),
        pl.col("machine"),
        pl.col("stamped"),
        *((pl.col(field) if field else pl.lit(None, pl.String)).alias(name) for name, field in side.items()),
    ]


def _long(rows: pl.DataFrame, columns: Columns) -> pl.DataFrame:
    assert columns.signal
    assert columns.value
    return rows.select(
        *_kept(columns),
        pl.lit(0).alias("cell"),
        pl.col(columns.signal).fill_null("value").alias("key"),
        pl.col(columns.value).alias("raw"),
        pl.lit(True).alias("empty_is_normal"),
    )


def _wide(rows: pl.DataFrame, columns: Columns, source: Source) -> pl.DataFrame:
    """One row a filled cell, in the order of the file."""
    meanings = _Meanings(source)
    others = [field for field, key in columns.others.items() if meanings.of(key).item != CONDITION]
    tick = pl.all_horizontal(pl.col(others).is_not_null()) if len(others) >= _LEAST_TICK else pl.lit(False)
    rows = rows.with_columns(tick.alias("empty_is_normal"))
    cells = [
        rows.lazy()
        .filter(pl.col(field).is_not_null() | (pl.col("empty_is_normal") & (meanings.of(key).item == CONDITION)))
        .select(
            *_kept(columns),
            pl.lit(cell).alias("cell"),
            pl.lit(key).alias("key"),
            pl.col(field).alias("raw"),
            "empty_is_normal",
        )
        for cell, (field, key) in enumerate(columns.others.items())
    ]
    if not cells:
        raise ReadingError("no column with values found, at least one beside the time expected")
    return pl.concat(cells).sort("line", "cell").collect()


def _without_ignored(values: pl.DataFrame, source: Source) -> tuple[pl.DataFrame, int]:
    if not source.ignore:
        return values, 0
    names = [name.strip().lower() for name in source.ignore]
    ignored = pl.col("key").str.to_lowercase().is_in(names) & pl.col("raw").is_not_null()
    kept = values.filter(~pl.col("key").str.to_lowercase().is_in(names))
    return kept, values.select(ignored.sum()).item()


# --- meaning ---------------------------------------------------------------------------------------


class _Meanings:
    """What the signals or columns of a source stand for."""

    def __init__(self, source: Source) -> None:
        self._keys = {name.strip().lower(): key for name, key in source.keys.items()}

    def of(self, name: str) -> Meaning:
        key = self._keys.get(name.lower())
        if key is not None:
            return told_by_site(key, None)
        return unmapped(name)

    def table(self, names: pl.Series) -> pl.DataFrame:
        rows = [
            (name, told.item, told.sub_type, told.component, told.type, told.discrete)
            for name in names.unique()
            for told in [self.of(name)]
        ]
        kinds = {name: OBSERVATIONS[name] for name in ("item", "sub_type", "component", "type", "discrete")}
        return pl.DataFrame(rows, schema={"key": pl.String(), **kinds}, orient="row")


def _observations(values: pl.DataFrame, source: Source) -> pl.DataFrame:
    known = values.join(_Meanings(source).table(values["key"]), on="key", how="left", maintain_order="left")
    is_condition = pl.col("item") == CONDITION
    known = known.filter(pl.col("raw").is_not_null() | (is_condition & pl.col("empty_is_normal")))
    spelt = spell(known.lazy().with_columns(pl.col("raw").fill_null("").alias("text")), source)
    return _conditions(spelt.rename({"key": "data_item"})).collect()


def _conditions(spelt: pl.LazyFrame) -> pl.LazyFrame:
    """Levels, codes and words of conditions; no other item has any."""
    is_condition = pl.col("item") == CONDITION
    named = pl.col("text").is_in(LEVELS)
    level = (
        pl.when(named).then("text").when(pl.col("text").is_in(_CLEAR)).then(pl.lit("NORMAL")).otherwise(pl.lit("FAULT"))
    )
    own_code = pl.when(~named & (level == "FAULT")).then("raw")
    code = pl.coalesce("code", own_code)
    # Where the code has a column of its own, a value that is no level is the alarm's words.
    message = pl.coalesce("message", pl.when(pl.col("code").is_not_null()).then(own_code))
    return spelt.with_columns(
        pl.when(is_condition).then(level).otherwise("text").alias("text"),
        pl.when(is_condition).then(level).alias("level"),
        pl.when(is_condition).then(code).alias("code"),
        pl.when(is_condition).then(message).alias("message"),
        pl.when(is_condition).then(code).alias("condition_id"),
    )


def _notes(read: Records, columns: Columns, values: pl.DataFrame, source: Source) -> Iterator[str]:
    meanings = _Meanings(source)
    unmapped = [name for name in values["key"].unique().sort() if meanings.of(name).item.startswith("x:")]
    if unmapped:
        yield f"{len(unmapped)} unmapped: {', '.join(unmapped[:10])}"
    if read.preamble:
        yield f"lines above or like the header: {read.preamble}"
    if columns.missed:
        yield f"no column {' nor '.join(columns.missed)}"
    if not (source.csv and source.csv.day_first is not None):
        day_first, sure = day_comes_first(_stamps(read.cells, columns))
        if not sure:
            other = "true" if not day_first else "false"
            yield f"dates read {'day' if day_first else 'month'} first; csv.day_first = {other} reads the other way"

"""What runlog is measured against: the least that could work, and what one would write otherwise.

Each reads a log and writes Parquet. The first line of each docstring stands in the table.
"""

from collections.abc import Callable
from contextlib import suppress
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Final
from xml.parsers import expat

import polars as pl

Work = Callable[[Path, Path], object]
"""From a log to a Parquet file."""


def polars_csv(log: Path, to: Path) -> None:
    """polars: scan, parse the stamp, sink to Parquet"""
    stamped = pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.6fZ", time_unit="us", time_zone="UTC")
    pl.scan_csv(log, infer_schema=False).with_columns(stamped).sink_parquet(to)


def polars_lines(log: Path, to: Path) -> None:
    """polars: split lines at pipes, parse the stamp, sink to Parquet"""
    lines = pl.scan_csv(log, has_header=False, separator="\x01", quote_char=None, new_columns=["raw"])
    fields = pl.col("raw").str.splitn("|", 3).struct.rename_fields(["at", "key", "value"])
    stamped = pl.col("at").str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="us", time_zone="UTC", strict=False)
    lines.select(fields).unnest("raw").with_columns(stamped).sink_parquet(to)


def expat_xml(log: Path, _: Path) -> None:
    """expat: walk the documents and collect the attributes"""
    content = log.read_bytes()
    begins = [0]
    while (start := content.find(b"<?xml ", begins[-1] + 1)) > 0:
        begins.append(start)
    for begin, end in zip(begins, [*begins[1:], len(content)], strict=True):
        parser = expat.ParserCreate()
        parser.StartElementHandler = partial(_collect, [])
        with suppress(expat.ExpatError):
            parser.Parse(content[begin:end], True)


def _collect(found: list[dict[str, str]], _: str, attributes: dict[str, str]) -> None:
    found.append(attributes)


def pandas_csv(log: Path, to: Path) -> None:
    """pandas: read, parse the stamp, write Parquet"""
    import pandas as pd

    frame = pd.read_csv(log, dtype=str)
    frame["time"] = pd.to_datetime(frame["time"], format="ISO8601", utc=True)
    frame.to_parquet(to)


def duckdb_lines(log: Path, to: Path) -> None:
    """DuckDB: split lines at pipes, parse the stamp, write Parquet"""
    import duckdb

    columns = "{'raw': 'VARCHAR'}"
    duckdb.sql(
        f"""
        COPY (
            SELECT try_strptime(split_part(raw, '|', 1), '%Y-%m-%dT%H:%M:%S.%fZ') AS at, split_part(raw, '|', 2) AS key,
                   array_to_string(string_split(raw, '|')[3:], '|') AS value
            FROM read_csv('{log.as_posix()}', delim='\x01', header=false, quote='', escape='', columns={columns},
                          auto_detect=false)
        ) TO '{to.as_posix()}' (FORMAT parquet)
        """
    )


LEAST: Final[dict[str, Work]] = {
    "csv long": polars_csv,
    "adapter lines": polars_lines,
    "mtconnect streams": expat_xml,
}
"""What each format is measured against in the first place."""

OTHERS: Final[dict[str, list[tuple[str, Work]]]] = {
    "csv long": [("pandas", pandas_csv)],
    "adapter lines": [("duckdb", duckdb_lines)],
    "mtconnect streams": [],
}
"""What one would write otherwise, by the library it needs."""


def is_installed(library: str) -> bool:
    return find_spec(library) is not None

"""How fast logs become facts, as ratios to the bare library in the same run: `python tests/benchmarks/speed.py`.

Each line compares what runlog does with the least that could work, done by the library alone on the same bytes:
splitting and writing for reading, reading and sorting for deriving. Files are invented by the simulator.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from xml.parsers import expat

import polars as pl

from runlog.derive import derive
from runlog.derive.observations import ITEMS
from runlog.distinct import distinct
from runlog.intake import read_file, source_for
from runlog.simulator import simulate, simulate_frames
from runlog.site import Site, load_site, parse_site

READ_AT = datetime(2026, 11, 25, 6, tzinfo=UTC)
START = date(2026, 8, 10)
BEST_OF = 3


def best(work: Callable[[], object]) -> float:
    """Shortest of a few runs. [s]"""
    times = []
    for _ in range(BEST_OF):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def logs_of(folder: Path, form: str, weeks: int) -> tuple[Path, Site]:
    """One machine's log in one format, all weeks in one file, and the site it belongs to."""
    simulate(folder, start=START, weeks=weeks, seed=1, machines=1, formats=(form,))
    site = load_site(folder / "site.toml")
    parts = sorted(path for path in (folder / "logs").iterdir() if path.name.startswith("T01"))
    whole = folder / "logs" / parts[0].name
    if form == "adapter lines":
        whole.write_bytes(b"".join(path.read_bytes() for path in parts))
    elif form == "csv long":
        head, *_ = parts[0].read_bytes().split(b"\n", 1)
        rows = [path.read_bytes().split(b"\n", 1)[1] for path in parts]
        whole.write_bytes(head + b"\n" + b"".join(rows))
    return whole, site


def reading(path: Path, site: Site) -> Callable[[], object]:
    source = source_for(path, site)
    assert source is not None
    return lambda: read_file(path, source, site, READ_AT, base=path.parents[1]).events.write_parquet(
        path.with_suffix(".pq")
    )


def bare_lines(path: Path) -> None:
    """Split lines at pipes, parse the stamp, write Parquet."""
    lines = pl.read_csv(path, has_header=False, separator="\x01", quote_char=None, new_columns=["raw"])
    fields = lines.select(pl.col("raw").str.splitn("|", 3).struct.rename_fields(["at", "key", "value"])).unnest("raw")
    fields.with_columns(pl.col("at").str.to_datetime(time_unit="us", time_zone="UTC")).write_parquet(
        path.with_suffix(".pq")
    )


def bare_csv(path: Path) -> None:
    """Scan, parse the stamp, sink to Parquet."""
    stamped = pl.col("time").str.to_datetime(time_unit="us", time_zone="UTC")
    pl.scan_csv(path, infer_schema=False).with_columns(stamped).sink_parquet(path.with_suffix(".pq"))


def bare_xml(path: Path) -> None:
    """Walk the document with the standard library's parser and collect the attributes."""
    found: list[dict[str, str]] = []
    parser = expat.ParserCreate()
    parser.StartElementHandler = lambda name, attributes: found.append(attributes)
    parser.Parse(path.read_bytes(), True)


def formats() -> list[tuple[str, str, float, float]]:
    rows = []
    plain = {"adapter lines": bare_lines, "csv long": bare_csv, "mtconnect streams": bare_xml}
    for form, bare in plain.items():
        with tempfile.TemporaryDirectory() as folder:
            path, site = logs_of(Path(folder), form, weeks=8)
            size = path.stat().st_size / 1e6
            rows.append(
                (
                    f"{form} to events, {size:.0f} MB",
                    bare.__doc__ or "",
                    best(reading(path, site)),
                    best(lambda p=path, b=bare: b(p)),
                )
            )
    return rows


def deriving() -> tuple[str, str, float, float]:
    events, _, toml = simulate_frames(start=START, weeks=52, seed=1, machines=1)
    site = parse_site(toml)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "events.parquet"
        events.write_parquet(path)
        order = ("at", "body_start", "file", "line", "cell")
        limit = best(lambda: distinct(pl.scan_parquet(path).filter(pl.col("item").is_in(ITEMS))).sort(*order).collect())
        ours = best(lambda: [f.collect() for f in derive(distinct(pl.scan_parquet(path)), site).values()])
    return (
        f"derive, one machine-year, {events.height} events",
        "Read the same items, distinct, and sort them.",
        ours,
        limit,
    )


def table() -> str:
    """The table in Markdown."""
    lines = [
        "| work | the bare library's share | runlog [s] | bare [s] | ratio |",
        "| --- | --- | ---: | ---: | ---: |",
    ]
    for what, against, ours, bare in [*formats(), deriving()]:
        lines.append(f"| {what} | {against.splitlines()[0]} | {ours:.2f} | {bare:.2f} | {ours / bare:.1f} |")
    return "\n".join(lines)


if __name__ == "__main__":
    sys.stdout.write(table() + "\n")

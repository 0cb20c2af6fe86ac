"""What a log looks like that nobody described yet, and the lines of the site file that read it.

    found = inspect(Path("export.csv"), site)
    found.source_block      # paste it at the end of the site file, and `runlog ingest` reads the file

The block is not only proposed: what is told of events and rejects is what the file gave when read by it.
"""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import polars as pl

from runlog.errors import ReadingError
from runlog.inspect.block import machine_block, source_block
from runlog.inspect.draft import Draft, draft
from runlog.inspect.needs import lacking
from runlog.intake import Reading, read_bytes, source_for
from runlog.intake.packing import members, packing, unpacked
from runlog.site import Site, parse_site
from runlog.site.written import toml

__all__ = ["Inspection", "inspect"]

FIRST_EVENTS: Final = 8
FIRST_REJECTS: Final = 10


@dataclass(frozen=True)
class Inspection:
    """What a file looks like.

    Attributes
    ----------
    path, packing, encoding, format : str
    shape : dict of str to str
        What there is to say of a format of its own: delimiter, header, documents, devices.
    times, zone : str
        How times are written, and which zone they are in as far as that can be known.
    machines : list of str
        Machines of the site the file speaks of.
    items : pl.DataFrame
        `data_item`, `item`, `sub_type`, `component`, `events`, `first values`, one row a signal.
    rows, events, rejects, unchanged, ignored : int
        What became of it when read by the block.
    first_at, last_at : datetime or None
        Earliest and latest event.
    first_events, first_rejects : pl.DataFrame
    reasons : list of tuple of int and str
        How many rejects for which reason, the most frequent first.
    lacks : list of str
        What the derivation needs and the file does not have.
    questions : list of str
        What was guessed and should be looked at.
    claimed_by : str
        The source of the site that claims the file already; then no block is proposed.
    source_block, machine_block : str
        For the site file; empty where none is needed.
    """

    path: str
    packing: str
    encoding: str
    format: str
    shape: dict[str, str]
    times: str
    zone: str
    machines: list[str]
    items: pl.DataFrame
    rows: int
    events: int
    rejects: int
    unchanged: int
    ignored: int
    first_at: datetime | None
    last_at: datetime | None
    first_events: pl.DataFrame
    first_rejects: pl.DataFrame
    reasons: list[tuple[int, str]]
    lacks: list[str]
    questions: list[str]
    claimed_by: str = ""
    source_block: str = ""
    machine_block: str = ""
    notes: list[str] = field(default_factory=list)


def inspect(path: Path, site: Site | None = None, *, zone: str = "", base: Path | None = None) -> Inspection:
    """Look at a file.

    Parameters
    ----------
    path : Path
        The file, packed or not.
    site : Site, optional
        Whose machines, sources and zone to go by.
    zone : str, optional
        Zone of stamps that carry none; without it the site's, and without a site this computer's.
    base : Path, optional
        Folder that paths in the site file are relative to.

    Returns
    -------
    Inspection

    Raises
    ------
    ReadingError
        The file cannot be opened, or looks like nothing that can be read.
    """
    try:
        stored = path.read_bytes()
    except OSError as error:
        raise ReadingError(f"{path}: {error.strerror} found, a readable file expected") from None
    name, content = _example(stored, path)
    try:
        drafted = draft(content, path, name, site, zone)
    except ReadingError as error:
        raise ReadingError(f"{path}: {error}") from None
    claimed = source_for(path, site) if site else None
    source = source_block(drafted.source, f"{path.name}, as `runlog inspect` takes it; look it over.")
    machines = "\n".join(machine_block(machine) for machine in drafted.new_machines)
    if site and claimed:
        reading = read_bytes(stored, path.name, claimed, site, datetime.now(UTC), base=base or path.parent)
        return _told(path, stored, drafted, reading, claimed_by=claimed.name)
    read_by = parse_site("\n".join([_stub(site, drafted), machines, source]), "the proposed block")
    reading = read_bytes(stored, path.name, read_by.source[0], read_by, datetime.now(UTC), base=path.parent)
    return _told(path, stored, drafted, reading, source_block=source, machine_block=machines)


def _example(stored: bytes, path: Path) -> tuple[str, bytes]:
    """The content to look at: of an archive, its largest file."""
    if packing(stored) != "zip":
        return path.name, unpacked(stored, path.name)
    held = list(members(stored, path.name))
    if not held:
        raise ReadingError(f"{path}: no file in it found, at least one expected")
    largest = max(held, key=lambda member: len(member.content))
    return largest.name, largest.content


def _stub(site: Site | None, drafted: Draft) -> str:
    """A site file to read the proposed block in: the machines there are, and nothing else that counts."""
    known = "".join(f"[[machine]]\nname = {toml(machine.name)}\n" for machine in (site.machines if site else []))
    return f"[site]\nname = {toml('inspected')}\ntime_zone = {toml(drafted.zone)}\n{known}"


def _told(path: Path, stored: bytes, drafted: Draft, reading: Reading, **more: str) -> Inspection:
    counts: dict[str, Any] = reading.progress.row(0, named=True)
    events = reading.events.sort("line", "cell")
    first = events.select("machine", "at", "item", "sub_type", "component", "text", "number", "code", "message")
    reasons = reading.rejects.group_by(_general(pl.col("reason")).alias("reason")).len().sort("len", descending=True)
    return Inspection(
        path=str(path),
        packing=packing(stored),
        encoding=drafted.encoding,
        format=drafted.format,
        shape=drafted.shape,
        times=drafted.times,
        zone=drafted.zone_words,
        machines=events["machine"].unique().sort().to_list(),
        items=_items(events),
        rows=counts["rows"],
        events=counts["events"],
        rejects=counts["rejects"],
        unchanged=counts["unchanged"],
        ignored=counts["ignored"],
        first_at=events["at"].min(),  # type: ignore[arg-type]
        last_at=events["at"].max(),  # type: ignore[arg-type]
        first_events=first.head(FIRST_EVENTS),
        first_rejects=reading.rejects.sort("line", "cell").head(FIRST_REJECTS).select("line", "raw", "reason"),
        reasons=[(count, reason) for reason, count in reasons.iter_rows()],
        lacks=lacking(events),
        questions=drafted.questions,
        notes=[counts["note"]] if counts["note"] else [],
        **more,
    )


def _general(reason: pl.Expr) -> pl.Expr:
    """A reason without the words it quotes, so that those of one kind count together."""
    return reason.str.replace_all(r"'[^']*'", "'...'").str.replace_all(r" line \d+:| byte \d+ of \d+", "")


def _items(events: pl.DataFrame) -> pl.DataFrame:
    kinds = events.group_by("data_item", "item", "sub_type", "component", maintain_order=True).agg(
        pl.len().alias("events"), pl.col("text").unique(maintain_order=True).head(4).alias("first values")
    )
    return kinds.with_columns(pl.col("first values").list.join(", ")).sort("item", "data_item")

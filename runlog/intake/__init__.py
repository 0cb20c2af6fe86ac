"""Readers: each file becomes events and rejects, and nothing vanishes.

    reading = read_file(Path("logs/T01.log"), source, site, read_at)
    reading.events, reading.rejects, reading.progress

One module a format (`csv`, `lines`, `streams`), `detect` to choose, `reading` for what they have in common,
`clocks` and `distinct` for the two rules that logs make necessary.
"""

from datetime import datetime
from pathlib import Path
from typing import Final

from runlog.distinct import distinct
from runlog.errors import ReadingError
from runlog.intake.archive import together
from runlog.intake.detect import ADAPTER_LINES, CSV, MTCONNECT_STREAMS, detect, member_source, source_for
from runlog.intake.devices import Devices, load_devices
from runlog.intake.identity import file_identity
from runlog.intake.lines import read_lines
from runlog.intake.packing import members, packing, unpacked
from runlog.intake.reading import Offered, Reading, finish
from runlog.intake.streams import read_streams
from runlog.site import Site, Source

__all__ = [
    "CLOCK_SKEW_S",
    "Offered",
    "Reading",
    "distinct",
    "file_identity",
    "finish",
    "read_bytes",
    "read_file",
    "source_for",
]

CLOCK_SKEW_S: Final = {ADAPTER_LINES: 120.0, MTCONNECT_STREAMS: 120.0, CSV: 0.0}
"""How far the clocks of one machine may be apart, by format, where the source does not tell. [s]"""


def read_file(path: Path, source: Source, site: Site, read_at: datetime, *, base: Path | None = None) -> Reading:
    """Read one log file.

    Parameters
    ----------
    path : Path
        The file; packed with gzip, zstd or zip, or not.
    source : Source
        The source it belongs to, see `source_for`.
    site : Site
        Names the machines, and the zone of stamps without one.
    read_at : datetime
        The instant of reading, with zone.
    base : Path, optional
        Folder that `source.devices` is relative to; default the file's own.

    Returns
    -------
    Reading

    Raises
    ------
    ReadingError
        The file cannot be opened or unpacked, or is in no known format. A bad row is a reject instead.
    """
    try:
        stored = path.read_bytes()
    except OSError as error:
        raise ReadingError(f"{path}: {error.strerror} found, a readable file expected") from None
    return read_bytes(stored, path.name, source, site, read_at, base=base or path.parent)


def read_bytes(stored: bytes, name: str, source: Source, site: Site, read_at: datetime, *, base: Path) -> Reading:
    """Read the bytes of a file as stored; see `read_file`."""
    identity = file_identity(stored, source)
    if packing(stored) != "zip":
        return _read_one(unpacked(stored, name), name, source, site, read_at, base, identity, len(stored))
    readings = [
        (member.name, _read_one(member.content, member.name, own, site, read_at, base, identity, len(stored)))
        for member in members(stored, name)
        for own in [member_source(member.name, source, site)]
    ]
    return together(readings, name, source, identity, len(stored), read_at)


def _read_one(
    content: bytes, name: str, source: Source, site: Site, read_at: datetime, base: Path, identity: str, size: int
) -> Reading:
    format = detect(content, source, name)
    offered = _offered(content, format, source, site, base)
    skew_s = source.clock_skew_s if source.clock_skew_s is not None else CLOCK_SKEW_S[format]
    return finish(
        offered,
        source=source,
        file=identity,
        path=name,
        format=format,
        size=size,
        clock_skew_s=skew_s,
        read_at=read_at,
    )


def _offered(content: bytes, format: str, source: Source, site: Site, base: Path) -> Offered:
    if format == CSV:
        from runlog.intake.csv import read_csv

        return read_csv(content, source, site)
    devices = load_devices(base / source.devices) if source.devices else Devices()
    read = read_streams if format == MTCONNECT_STREAMS else read_lines
    return read(content, source, site, devices)

"""A file as a whole: packed or not, one or several inside."""

from datetime import datetime
from pathlib import Path
from typing import Final

from runlog.errors import ReadingError
from runlog.intake.archive import together
from runlog.intake.carry import Carry
from runlog.intake.detect import ADAPTER_LINES, CSV, MTCONNECT_STREAMS, detect, member_source
from runlog.intake.devices import Devices, load_devices
from runlog.intake.identity import file_identity
from runlog.intake.lines import read_lines
from runlog.intake.packing import members, packing, unpacked
from runlog.intake.reading import Offered, Part, Reading, finish
from runlog.intake.streams import read_streams
from runlog.site import Site, Source

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
    part = Part(identity, 0, size, identity)
    return read_part(content, format, name, source, site, read_at, base=base, part=part)


def read_part(
    content: bytes,
    format: str,
    name: str,
    source: Source,
    site: Site,
    read_at: datetime,
    *,
    base: Path,
    part: Part,
    carry: Carry | None = None,
) -> Reading:
    """Read unpacked content of a known format: a whole file, or whole lines of one.

    Parameters
    ----------
    part : Part
        Which part of which file it is.
    carry : Carry, optional
        What is remembered of the file up to there.

    Raises
    ------
    CannotFollowError
        With `carry`: the file must be read as a whole.
    """
    skew_s = source.clock_skew_s if source.clock_skew_s is not None else CLOCK_SKEW_S[format]
    return finish(
        _offered(content, format, source, site, base, carry),
        source=source,
        part=part,
        path=name,
        format=format,
        clock_skew_s=skew_s,
        zone=source.time_zone or site.site.time_zone,
        read_at=read_at,
        carry=carry,
    )


def _offered(content: bytes, format: str, source: Source, site: Site, base: Path, carry: Carry | None) -> Offered:
    dialect = carry.dialect if carry else None
    if format == CSV:
        from runlog.intake.csv import read_csv

        return read_csv(content, source, site, dialect)
    devices = load_devices(base / source.devices) if source.devices else Devices()
    if format == MTCONNECT_STREAMS:
        return read_streams(content, source, site, devices, dialect)
    return read_lines(content, source, site, devices, dialect)

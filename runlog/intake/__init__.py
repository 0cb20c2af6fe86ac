"""Readers: each file becomes events and rejects, and nothing vanishes.

    reading = read_file(Path("logs/T01.log"), source, site, read_at)
    reading.events, reading.rejects, reading.progress

One module a format (`csv`, `lines`, `streams`), `detect` to choose, `reading` for what they have in common,
`clocks` and `distinct` for the two rules that logs make necessary. `pieces` reads large files, and those that have
grown, a piece at a time; `carry` and `follow` see to it that this gives what the whole would.
"""

from runlog.distinct import distinct
from runlog.intake.carry import CannotFollowError, Carry
from runlog.intake.detect import source_for
from runlog.intake.identity import file_identity
from runlog.intake.pieces import ChangedError, Onward, read_pieces
from runlog.intake.reading import Offered, Reading, finish
from runlog.intake.whole import CLOCK_SKEW_S, read_bytes, read_file

__all__ = [
    "CLOCK_SKEW_S",
    "CannotFollowError",
    "Carry",
    "ChangedError",
    "Offered",
    "Onward",
    "Reading",
    "distinct",
    "file_identity",
    "finish",
    "read_bytes",
    "read_file",
    "read_pieces",
    "source_for",
]

"""Files that grow, read again at every stage, against what they give when they are read at once."""

from datetime import UTC, datetime
from pathlib import Path

import polars as pl
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from runlog.intake import CannotFollowError, Carry, Onward, Reading, read_pieces
from runlog.site import Site, Source

READ_AT = datetime(2026, 3, 1, tzinfo=UTC)
SUMMED = ("rows", "offered", "events", "rejects", "unchanged", "ignored", "moved")


def grown(path: Path, ends: list[int], source: Source, site: Site) -> tuple[list[Reading], int]:
    """Readings of a file that grows from end to end; whatever must be read as a whole starts it anew.

    Also how often it was read on from where it was left.
    """
    content = path.read_bytes()
    readings: list[Reading] = []
    onward: Onward | None = None
    followed = 0
    for end in ends:
        path.write_bytes(content[:end])
        try:
            new = list(read_pieces(path, source, site, READ_AT, base=path.parent, onward=onward))
            readings = [one for one in readings if not is_tail(one)] + new if onward else new
            followed += onward is not None
        except CannotFollowError:
            readings = list(read_pieces(path, source, site, READ_AT, base=path.parent, as_whole=True))
        onward = None
        own = [one for one in readings if not is_tail(one)]
        if own and own[-1].carry:
            row = own[-1].progress.row(0, named=True)
            carry = Carry.from_bytes(own[-1].carry.to_bytes())
            assert carry
            onward = Onward(row["file"], row["offset"], row["prefix"], carry)
    return readings, followed


def is_tail(reading: Reading) -> bool:
    return "~" in reading.progress["file"][0]


def assert_same(readings: list[Reading], whole: Reading) -> None:
    order = ["line", "cell"]
    for name in ("events", "rejects"):
        found = pl.concat([getattr(one, name) for one in readings]).drop("file").sort(order, maintain_order=True)
        assert_frame_equal(found, getattr(whole, name).drop("file").sort(order, maintain_order=True))
    progress = pl.concat([one.progress for one in readings])
    assert progress.select(pl.col(SUMMED).sum()).row(0) == whole.progress.select(SUMMED).row(0)
    assert progress["offset"].max() == whole.progress["offset"].item()


def ends_of(content: bytes, draw: st.DataObject) -> list[int]:
    cuts = draw.draw(st.lists(st.integers(1, len(content)), max_size=5))
    return [*sorted(cuts), len(content)]

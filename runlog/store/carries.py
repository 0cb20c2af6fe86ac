"""What readers remember of half-read files: one small file each, beside the tables.

It is written before the commit it belongs to and named after the offset of that, so whatever the committed offset
is, what belongs to it is there, or nothing. It is no more than a help: a file without is read from its beginning.
"""

from contextlib import suppress
from pathlib import Path
from typing import Final

MOST: Final = 500
"""So many are kept, the latest written."""


class Carries:
    """The folder they are in.

    Parameters
    ----------
    folder : Path
        Made with the first one.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def put(self, file: str, offset: int, carry: bytes) -> None:
        """Keep one; where it cannot be written it is left out."""
        part = self._folder / "part"
        with suppress(OSError):
            self._folder.mkdir(exist_ok=True)
            part.write_bytes(carry)
            part.replace(self._path(file, offset))

    def get(self, file: str, offset: int) -> bytes | None:
        """The one of a file read up to there; None if there is none."""
        try:
            return self._path(file, offset).read_bytes()
        except OSError:
            return None

    def forget(self, offsets: dict[str, int]) -> None:
        """Remove those of other offsets of these files, and the oldest of too many."""
        found = sorted(self._found(), key=_written, reverse=True)
        kept = [path for path in found if offsets.get(path.stem, _offset(path)) == _offset(path)]
        for path in {*found} - {*kept[:MOST]}:
            with suppress(OSError):
                path.unlink()

    def _found(self) -> list[Path]:
        try:
            return [path for path in self._folder.iterdir() if _offset(path) is not None]
        except OSError:
            return []

    def _path(self, file: str, offset: int) -> Path:
        return self._folder / f"{file}.{offset}"


def _offset(path: Path) -> int | None:
    end = path.suffix.removeprefix(".")
    return int(end) if end.isdecimal() else None


def _written(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0

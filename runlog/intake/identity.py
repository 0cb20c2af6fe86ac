"""What makes a file this file: its bytes as stored, its source and the source's machine; never its name."""

from collections.abc import Iterable
from copy import copy
from hashlib import sha256
from pathlib import Path
from typing import IO, Final

from runlog.site import Source

_LENGTH: Final = 16
_STEP: Final = 1024 * 1024


class Fingerprint:
    """Identity of the bytes seen so far.

    Parameters
    ----------
    source : Source
        The source they belong to.
    marks : iterable of int
        Sizes at which the identity is kept. [bytes]
    """

    def __init__(self, source: Source, marks: Iterable[int] = ()) -> None:
        self._digest = sha256(f"{source.name}\0{source.machine or ''}\0".encode())
        self._marks = sorted(set(marks), reverse=True)
        self.size = 0
        self.at: dict[int, str] = {}
        self._keep()

    def update(self, stored: bytes) -> None:
        """Go on with the next bytes of the file."""
        view = memoryview(stored)
        while view:
            step = min(len(view), self._marks[-1] - self.size) if self._marks else len(view)
            self._digest.update(view[:step])
            self.size += step
            view = view[step:]
            self._keep()

    def after(self, stored: bytes) -> "Fingerprint":
        """What it would be after the next bytes; this one stays as it is."""
        ahead = copy(self)
        ahead._digest, ahead._marks, ahead.at = self._digest.copy(), self._marks.copy(), self.at.copy()
        ahead.update(stored)
        return ahead

    def value(self) -> str:
        """Identity of all bytes so far."""
        return self._digest.copy().hexdigest()[:_LENGTH]

    def _keep(self) -> None:
        while self._marks and self._marks[-1] <= self.size:
            self.at[self._marks.pop()] = self.value()


def file_identity(stored: bytes, source: Source) -> str:
    """Identity of a file."""
    found = Fingerprint(source)
    found.update(stored)
    return found.value()


def beginnings(path: Path, source: Source, sizes: Iterable[int]) -> tuple[int, str, dict[int, str]]:
    """Identities that a file's first so many bytes would have as a file: what it may have been before it grew.

    Parameters
    ----------
    path : Path
        The file; read from end to end, a little at a time.
    source : Source
        The source it belongs to.
    sizes : iterable of int
        Sizes to look at; larger ones than the file's are left out. [bytes]

    Returns
    -------
    int, str, dict of int to str
        Its size [bytes], its own identity, and by size those of its beginnings.

    Raises
    ------
    OSError
        It cannot be read.
    """
    found = Fingerprint(source, sizes)
    with path.open("rb") as file:
        for step in steps(file):
            found.update(step)
    return found.size, found.value(), found.at


def steps(file: IO[bytes], most: int | None = None) -> Iterable[bytes]:
    """The next bytes of a file, at most so many in all, a little at a time."""
    left = most
    while (step := file.read(_STEP if left is None else min(_STEP, left))) and left != 0:
        yield step
        left = None if left is None else left - len(step)


def unpacked_name(identity: str) -> str:
    """The name under which the rows of a packed file are kept that is read piece by piece."""
    return joined_identity(identity, "unpacked piece by piece")


def joined_identity(*identities: str) -> str:
    """One identity out of several."""
    return sha256("\0".join(identities).encode()).hexdigest()[:_LENGTH]

"""What makes a file this file: its bytes as stored, its source and the source's machine; never its name."""

from collections.abc import Iterable
from hashlib import sha256

from runlog.site import Source

_LENGTH = 16


def file_identity(stored: bytes, source: Source) -> str:
    """Identity of a file."""
    return beginnings(stored, source, [len(stored)])[len(stored)]


def beginnings(stored: bytes, source: Source, sizes: Iterable[int]) -> dict[int, str]:
    """Identities that the file's first so many bytes would have as a file: what it may have been before it grew.

    Parameters
    ----------
    stored : bytes
        The file, as stored.
    source : Source
        The source it belongs to.
    sizes : iterable of int
        Sizes to look at; larger ones than the file's are left out. [bytes]

    Returns
    -------
    dict of int to str
        By size. All are found in one pass over the bytes.
    """
    digest = sha256(f"{source.name}\0{source.machine or ''}\0".encode())
    view, done, found = memoryview(stored), 0, {}
    for size in sorted({size for size in sizes if size <= len(stored)}):
        digest.update(view[done:size])
        done = size
        found[size] = digest.copy().hexdigest()[:_LENGTH]
    return found

"""The errors a person can act on.

    RunlogError
    ├── SiteError      the site file: every mistake at once, one a line
    ├── ReadingError   a file that cannot be read at all (a bad row is a reject, not an error)
    └── StoreError     the store: missing, locked, damaged, of a newer version

Each message says where, what was found, what was expected. Only the command line and the pages catch
the base class; anything else that escapes is a fault of ours.
"""


class RunlogError(Exception):
    """Base of everything `runlog` raises on purpose; ``str()`` of it is what the user reads."""


class SiteError(RunlogError):
    """Mistakes in a site file.

    Parameters
    ----------
    mistakes : list of str
        One line each: ``site.toml: job[2].cycle_s: 0 found, a time above 0 s expected``.
    """

    def __init__(self, mistakes: list[str]) -> None:
        self.mistakes = mistakes
        super().__init__("\n".join(mistakes))


class ReadingError(RunlogError):
    """A file that cannot be read at all: gone, locked, no known format, no source claims it."""


class StoreError(RunlogError):
    """The store cannot be opened or written; the message says what to do."""

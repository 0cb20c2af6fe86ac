"""The folder of a store: where its tables are, whether it is one, and of which version."""

import json
from pathlib import Path
from typing import Final

from runlog.errors import StoreError
from runlog.store import delta

FORMAT: Final = 1
"""How this version lays out a store; a store of a higher number is refused."""

LAYOUT: Final[dict[str, list[str]]] = {"events": ["day"]}
"""Columns that split a table into folders; facts are not split, as the recent ones of all machines change together."""

INTAKE: Final = ("events", "restated", "rejects", "progress")
"""Tables that loads add to."""


class Folder:
    """A folder of tables, with the questions that concern the whole of it.

    Parameters
    ----------
    folder : Path
        Where the tables are, or will be with the first `append`.
    wait_s : float
        How long a write waits for another writer. [s]
    """

    def __init__(self, folder: Path, *, wait_s: float = 60.0) -> None:
        self.folder = folder
        self._wait_s = wait_s

    def __repr__(self) -> str:
        return f"{type(self).__name__}({str(self.folder)!r})"

    def exists(self) -> bool:
        """Whether anything was ever read into it."""
        return delta.exists(self._path("events"))

    def version(self) -> str:
        """Changes with every `append` and `replace_facts`: the key for what is cached. Costs a look at file names."""
        at = [delta.latest_version(self._path(name)) for name in ("events", "generation")]
        return "-".join("" if version is None else str(version) for version in at)

    def _load_now(self) -> int:
        return delta.load_of(delta.opened(self._path("events")))

    def _path(self, name: str) -> Path:
        return self.folder / name

    def _check(self) -> None:
        if not self.exists():
            raise StoreError(f"{self.folder}: no store there yet; `runlog ingest FOLDER` reads logs into it")
        self._check_format()

    def _check_format(self) -> None:
        mark = self.folder / "store.json"
        try:
            found = json.loads(mark.read_text(encoding="utf-8"))["format"]
        except FileNotFoundError:
            return
        except (OSError, ValueError, KeyError, TypeError):
            raise StoreError(f"{mark}: not readable, a mark written by runlog expected") from None
        if found > FORMAT:
            raise StoreError(
                f"{self.folder}: a store of version {found} found, {FORMAT} or less expected; a newer runlog wrote it"
            )

    def _lay_out(self) -> None:
        self._check_format()
        mark = self.folder / "store.json"
        if not mark.exists():
            part = mark.with_suffix(".part")
            part.write_text(json.dumps({"format": FORMAT}), encoding="utf-8")
            delta.flush(part)
            part.replace(mark)

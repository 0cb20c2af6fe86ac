"""What people wrote down beside the logs, and what was shown to them: tables that no log and no derivation makes.

    store.put("scrap", rows, by=("machine", "shift_date", "shift"))   # takes the place of what is held of these shifts
    store.put("reported", rows, by=("week", "machine"))
    store.add("notes", rows)                                          # beside what is held, for good
    store.held("scrap")

Where rows are put, the last word on a key stands: rows of a key that come again replace those held, so reading a file
twice adds nothing and reading its correction corrects.
"""

from collections.abc import Sequence

import polars as pl

from runlog.errors import StoreError
from runlog.schema import INPUT_TABLES, TABLES
from runlog.store import delta
from runlog.store.folder import Folder
from runlog.store.lock import writing


class Inputs(Folder):
    """The side of a store that holds what people wrote, by INPUT_TABLES."""

    def put(self, name: str, rows: pl.DataFrame, *, by: Sequence[str]) -> None:
        """Put rows in the place of those held under the same key, in one commit.

        Parameters
        ----------
        name : str
            One of INPUT_TABLES.
        rows : pl.DataFrame
            Of that table's columns.
        by : sequence of str
            Columns of the key: every held row with a key that is among `rows` gives way.

        Raises
        ------
        StoreError
            The store cannot be written, or is of a newer version.
        """
        path = self._path(name)
        with writing(self.folder, self._wait_s):
            self._lay_out()
            new = TABLES[name].conform(rows.lazy()).collect()
            if not delta.exists(path):
                delta.commit(path, new)
                return
            kept = self.held(name).join(new.lazy(), on=list(by), how="anti", nulls_equal=True).collect()
            delta.commit(path, pl.concat([kept, new]), mode="overwrite")

    def put_all(self, name: str, rows: pl.DataFrame) -> None:
        """Put rows in the place of all that is held in a table, in one commit; see `put`."""
        with writing(self.folder, self._wait_s):
            self._lay_out()
            delta.commit(self._path(name), TABLES[name].conform(rows.lazy()).collect(), mode="overwrite")

    def add(self, name: str, rows: pl.DataFrame) -> None:
        """Add rows to those held, in one commit; none that is held changes.

        Parameters
        ----------
        name : str
            One of INPUT_TABLES.
        rows : pl.DataFrame
            Of that table's columns.

        Raises
        ------
        StoreError
            The store cannot be written, or is of a newer version.
        """
        with writing(self.folder, self._wait_s):
            self._lay_out()
            delta.commit(self._path(name), TABLES[name].conform(rows.lazy()).collect())

    def held(self, name: str) -> pl.LazyFrame:
        """One of INPUT_TABLES as it is now; empty if nobody wrote any."""
        table = next(table for table in INPUT_TABLES if table.name == name)
        path = self._path(name)
        if not delta.exists(path):
            return table.empty()
        # A table begun by an older version lacks the columns that came since.
        return table.conform(pl.concat([pl.scan_delta(delta.opened(path)), table.empty()], how="diagonal"))

    def held_then(self, name: str, version: int | None) -> pl.LazyFrame | None:
        """One of INPUT_TABLES as it was at a version of `input_version`; None if that is no longer kept."""
        table = TABLES[name]
        if version is None:
            return table.empty()
        try:
            then = pl.scan_delta(delta.opened(self._path(name), version)).collect().lazy()
        except (StoreError, OSError, pl.exceptions.PolarsError):
            return None
        return table.conform(pl.concat([then, table.empty()], how="diagonal"))

    def input_version(self, name: str) -> int | None:
        """Changes with every `put` into a table; None before the first."""
        return delta.latest_version(self._path(name))

    def version(self) -> str:
        """See `Folder.version`; changes with what figures are made of here, too."""
        at = [delta.latest_version(self._path(name)) for name in ("scrap", "notes")]
        return "-".join([super().version(), *("" if version is None else str(version) for version in at)])

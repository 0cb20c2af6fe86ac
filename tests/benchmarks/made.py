"""Large logs for measuring: half a year of one simulated machine, again and again, each time in another year."""

from dataclasses import dataclass, replace
from datetime import date
from itertools import count
from pathlib import Path
from typing import Final

from runlog.simulator import play, tables, write
from runlog.simulator.sitefile import site_toml
from runlog.site import Site, parse_site

FORMS: Final = ("csv long", "adapter lines", "mtconnect streams")
START: Final = date(2026, 1, 5)
_YEAR: Final = b"2026-"
_FIRST_YEAR: Final = 1980
_SHORT_WEEKS, _LONG_WEEKS = 2, 24


@dataclass(frozen=True)
class Log:
    """A file and the site whose source reads it."""

    path: Path
    site: Site


def made(folder: Path, form: str, mb: float) -> Log:
    """Write a log of at least so many megabytes.

    A file has as many blocks as it takes, each with its own year in all stamps; an agent begins anew in each.
    """
    folder.mkdir(parents=True, exist_ok=True)
    head, block = _block(form, _LONG_WEEKS if mb > 50 else _SHORT_WEEKS)
    path = folder / f"T01_{START}.{write.EXTENSIONS[form]}"
    with path.open("wb") as file:
        file.write(head)
        for number in count():
            block_of_year = block.replace(_YEAR, b"%d-" % (_FIRST_YEAR + number))
            file.write(block_of_year.replace(b'instanceId="', b'instanceId="%d' % (number + 1)))
            if file.tell() >= mb * 1e6:
                break
    return Log(path, parse_site(site_toml(1, (form,))))


def _block(form: str, weeks: int) -> tuple[bytes, bytes]:
    """What stands once at the beginning, and what comes again."""
    (lathe,) = play(START, weeks, 1, 1, None)
    rows = tables.log(lathe.diary)
    if form == "mtconnect streams":
        sheets = write.sheets(lathe.diary.machine, rows, START, 1)
        return b"", "".join(write.text_of(sheet, form) for sheet in sheets).encode()
    (sheet,) = write.sheets(lathe.diary.machine, rows, START, 7 * weeks + 7)
    text = write.text_of(replace(sheet, before=rows.clear()), form).encode()
    head = text[: text.index(b"\n") + 1] if form == "csv long" else b""
    return head, text[len(head) :]

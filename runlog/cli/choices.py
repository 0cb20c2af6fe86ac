"""What can be asked of commands that print tables: which days, by what, as JSON, into a file."""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from runlog.errors import RunlogError

_DAY = ["%Y-%m-%d"]

First = Annotated[
    datetime | None,
    typer.Option("--from", formats=_DAY, metavar="YYYY-MM-DD", help="First day; the last whole week."),
]
Last = Annotated[datetime | None, typer.Option("--to", formats=_DAY, metavar="YYYY-MM-DD", help="Last day.")]
Week = Annotated[str | None, typer.Option("--week", metavar="2026-W12", help="Week by ISO 8601; the last whole one.")]
OnMachine = Annotated[str | None, typer.Option("--machine", metavar="NAME", help="Only this machine.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print it as JSON, for other programs.")]
ExportTo = Annotated[
    Path | None, typer.Option("--export", metavar="FILE", help="Write the table to a .csv, .parquet or .json file.")
]


def groupings(by: str | None, known: Sequence[str]) -> tuple[str, ...]:
    """The groupings of `--by`: names with commas between; all without any."""
    if by is None:
        return tuple(known)
    named = tuple(dict.fromkeys(name.strip().lower() for name in by.split(",") if name.strip()))
    if strangers := [name for name in named if name not in known] or ([by] if not named else []):
        found = ", ".join(strangers)
        raise RunlogError(f"--by: {found} found, one or more of these with commas between expected: {', '.join(known)}")
    return named

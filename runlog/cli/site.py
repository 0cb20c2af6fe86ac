"""`runlog site check` and `runlog site new`."""

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from runlog.cli.common import SITE_FILE, console
from runlog.errors import RunlogError, SiteError
from runlog.report.writing import plain
from runlog.site import load_site, missing_documents, starter

app = typer.Typer(help="Write or check the site file.", no_args_is_help=True)

File = Annotated[Path, typer.Argument(metavar="[FILE]", help="The site file.")]


@app.command()
def check(file: File = SITE_FILE) -> None:
    """Check a site file and tell every mistake at once."""
    site = load_site(file)
    if mistakes := missing_documents(site, file.parent):
        raise SiteError([f"{file.name}: {mistake}" for mistake in mistakes])
    held = {"machine": site.machines, "source": site.source, "job": site.jobs, "shift": site.shift, "cause": site.cause}
    counted = ", ".join(f"{len(entries)} {name}{'' if len(entries) == 1 else 's'}" for name, entries in held.items())
    console().print(Text(f"{plain(file)}: no mistakes. {plain(site.site.name)}, {site.site.time_zone}: {counted}."))


@app.command()
def new(file: File = SITE_FILE) -> None:
    """Write a commented site file to start from; never over one that is there."""
    try:
        with file.open("x", encoding="utf-8", newline="\n") as target:
            target.write(starter())
    except FileExistsError:
        raise RunlogError(f"{file}: there is one already; name another file, or move it away first") from None
    except OSError as error:
        raise RunlogError(f"{file}: cannot be written: {error.strerror}") from None
    console().print(Text(f"{plain(file)} written. Fill it in, then: runlog site check {plain(file)}"))

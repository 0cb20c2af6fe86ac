"""`runlog simulate` and `runlog demo`: an invented shop, its logs alone or all the way to the pages."""

import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from runlog import demo as demonstration
from runlog.cli.common import bar, console
from runlog.cli.complaints import complain
from runlog.cli.dashboard import serve
from runlog.errors import RunlogError
from runlog.figures.night import night_review
from runlog.report.night import NightReport
from runlog.report.writing import plain
from runlog.site import load_site
from runlog.store import Store

DEMO_FOLDER = Path("runlog-demo")


def simulate(
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Folder for site.toml, logs/ and truth/.")],
    weeks: Annotated[int, typer.Option("--weeks", min=1, max=520, help="How long.")],
    seed: Annotated[int, typer.Option("--seed", min=0, help="The same seed invents the same shop.")],
    machines: Annotated[int, typer.Option("--machines", min=1, max=999, help="How many.")] = 6,
    noise: Annotated[
        float, typer.Option("--noise", min=0, max=10, help="0 none, 1 about as bad as real logs; logs only.")
    ] = 0.0,
) -> None:
    """Invent a shop: write its logs and, beside them, what really happened."""
    from runlog.simulator import simulate as invent

    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise RunlogError(f"--to {to}: holds something, an empty folder or a new one expected")
    with bar("inventing a shop") as told:
        invent(
            to,
            weeks=weeks,
            seed=seed,
            machines=machines,
            noise=noise,
            progress=lambda share: told(round(100 * share), 100, "inventing a shop"),
        )
    console().print(Text(f"{plain(to)}: site.toml, logs/ and truth/ written."))


def demo(
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Folder of the demonstration.")] = DEMO_FOLDER,
    no_browser: Annotated[
        bool,
        typer.Option(
            "--no-browser", envvar="RUNLOG_NO_BROWSER", help="Say how to open the dashboard instead of opening it."
        ),
    ] = False,
    weeks: Annotated[
        int, typer.Option("--weeks", min=0, max=520, help="Invented history before the sample logs.")
    ] = demonstration.WEEKS,
) -> None:
    """Try it on sample logs: read them, review the last night, open the dashboard."""
    began = time.monotonic()
    with bar("preparing") as told:
        made = demonstration.make(to, weeks, told)
    for one in made.report.skipped:
        complain(f"{one.path}: {one.reason}")
    review = night_review(Store(made.store).facts(), load_site(made.site))
    shown = console()
    shown.print(NightReport(review, datetime.now(UTC)))
    shown.print()
    took = time.monotonic() - began
    shown.print(Text(f"An invented shop, in {plain(to)}: {_counts(made)}, in {took:.0f} s."))
    places = f'--site "{plain(made.site)}" --store "{plain(made.store)}"'
    if no_browser:
        shown.print(Text(f"Dashboard: runlog dashboard {places}"), soft_wrap=True)
        return
    serve(made.site, made.store, None, browser=True)


def _counts(made: demonstration.Demo) -> str:
    read = made.report.progress
    if not len(read):
        return "read before, nothing new"
    return f"{len(read)} files, {read['events'].sum():,} events, {read['rejects'].sum():,} rejects"

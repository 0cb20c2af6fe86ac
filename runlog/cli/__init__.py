"""The command line: each command parses, calls one function and prints.

logs        ingest, derive, export
inspect     inspect
rejects     rejects
watch       watch, status
tidy        tidy
night       night
week        week, scrap
rollups     shifts, losses, remnant, changeovers
reloads     reloads
faults      faults
alarms      alarms
fix         fix add, fix list, fix check, fix withdraw
tonight     tonight
endurance   endurance, worth
plan        plan, sawing
dashboard   dashboard
shop        simulate, demo
site        site check, site new
common      options, consoles and progress bars that they share
"""

import io
import os
import sys
from typing import Annotated, Final, NoReturn

import typer

from runlog import __version__
from runlog.cli import (
    alarms,
    dashboard,
    endurance,
    faults,
    fix,
    inspect,
    logs,
    night,
    plan,
    rejects,
    reloads,
    rollups,
    shop,
    site,
    tidy,
    tonight,
    watch,
    week,
)
from runlog.cli.common import complain
from runlog.errors import RunlogError

__all__ = ["app", "main"]

FAULT_OF_OURS: Final = 70
"""Exit code for what is no mistake of the user's."""
_DEBUG: Final = "RUNLOG_DEBUG"

app = typer.Typer(
    name="runlog",
    help="Read the logs of bar-fed turning centres and review what they did with nobody there.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.command()(logs.ingest)
app.command()(inspect.inspect)
app.command()(rejects.rejects)
app.command()(watch.watch)
app.command()(watch.status)
app.command()(tidy.tidy)
app.command()(logs.derive)
app.command()(night.night)
app.command()(week.week)
app.command()(rollups.shifts)
app.command()(rollups.losses)
app.command()(rollups.remnant)
app.command()(rollups.changeovers)
app.command()(reloads.reloads)
app.command()(faults.faults)
app.command()(alarms.alarms)
app.command()(endurance.endurance)
app.command()(endurance.worth)
app.command()(tonight.tonight)
app.command()(week.scrap)
app.command()(plan.plan)
app.command()(plan.sawing)
app.command()(logs.export)
app.command()(dashboard.dashboard)
app.command()(shop.simulate)
app.command()(shop.demo)
app.add_typer(fix.app, name="fix")
app.add_typer(site.app, name="site")


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"runlog {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version and exit.")
    ] = False,
    debug: Annotated[
        bool, typer.Option("--debug", envvar=_DEBUG, help="Show where in the program an error arose.")
    ] = False,
) -> None:
    if debug:
        os.environ[_DEBUG] = "1"


def main(args: list[str] | None = None) -> NoReturn:
    """Run a command; what a person can act on is one message and exit code 1, never a traceback."""
    for stream in (sys.stdout, sys.stderr):
        # A console of another encoding shows a question mark for a letter it does not have.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        app(args, prog_name="runlog")
    except RunlogError as error:
        _unless_debugging(error)
        complain(str(error))
        sys.exit(1)
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a panic of a library written in Rust is no Exception
        _unless_debugging(error)
        complain(f"a fault of runlog's own, not of your logs: {type(error).__name__}: {error}")
        complain("Run it again as `runlog --debug ...` and report what it shows.")
        sys.exit(FAULT_OF_OURS)
    sys.exit(0)


def _unless_debugging(error: BaseException) -> None:
    if os.environ.get(_DEBUG) not in (None, "", "0"):
        raise error

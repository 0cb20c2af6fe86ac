"""The command line: each command parses, calls one function and prints.

Each command is a function of the module of this package that COMMANDS names, loaded when it is called; `common` has
what they share.
"""

import io
import os
import sys
from importlib import import_module
from typing import Annotated, Any, Final, NoReturn

import typer
import typer.main
from typer.core import TyperGroup

from runlog.cli.complaints import complain
from runlog.errors import RunlogError
from runlog.version import VERSION

__all__ = ["app", "main"]

COMMANDS: Final = {
    "ingest": "logs",
    "inspect": "inspect",
    "rejects": "rejects",
    "watch": "watch",
    "status": "watch",
    "tidy": "tidy",
    "derive": "logs",
    "night": "night",
    "week": "week",
    "shifts": "rollups",
    "losses": "rollups",
    "remnant": "rollups",
    "changeovers": "rollups",
    "reloads": "reloads",
    "faults": "faults",
    "alarms": "alarms",
    "endurance": "endurance",
    "worth": "endurance",
    "tonight": "tonight",
    "scrap": "week",
    "plan": "plan",
    "sawing": "plan",
    "export": "logs",
    "dashboard": "dashboard",
    "simulate": "shop",
    "demo": "shop",
    "fix": "fix",
    "cause": "cause",
    "site": "site",
}
"""Where each command is, in the order of `--help`: a function of its name, or the `app` of several in that module."""

FAULT_OF_OURS: Final = 70
"""Exit code for what is no mistake of the user's."""
_DEBUG: Final = "RUNLOG_DEBUG"


class _OnDemand(TyperGroup):
    """Commands that are loaded when they are asked for: all of them together take a second."""

    def list_commands(self, ctx: Any) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        home = COMMANDS.get(cmd_name)
        if home is None:
            return None
        module = import_module(f"{__name__}.{home}")
        if (found := getattr(module, cmd_name, None)) is None:
            several = typer.main.get_command(module.app)
            several.name = cmd_name
            return several
        alone = typer.Typer(add_completion=False)
        alone.command(cmd_name)(found)
        return typer.main.get_command(alone)


app = typer.Typer(
    name="runlog",
    cls=_OnDemand,
    help="Read the logs of bar-fed turning centres and review what they did with nobody there.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"runlog {VERSION}")
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
    # Before polars is loaded: its streaming engine, started for each of many small frames, takes twice the time.
    os.environ.setdefault("POLARS_ENGINE_AFFINITY", "in-memory")
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

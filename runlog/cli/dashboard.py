"""`runlog dashboard`: Streamlit as a process of its own, on this computer only unless told otherwise."""

import os
import signal
import socket
import subprocess
import sys
import time
import webbrowser
from pathlib import Path
from typing import Annotated, Final

import typer

from runlog.bundled import dashboard_app
from runlog.cli.common import SITE_FILE, STORE_FOLDER, SiteFile, StoreFolder, busy, console
from runlog.cli.doors import protection
from runlog.errors import RunlogError

HOST: Final = "127.0.0.1"
FIRST_PORT: Final = 8501
_PORTS_TRIED: Final = 50
_STARTS_WITHIN_S: Final = 60.0


def dashboard(
    port: Annotated[
        int | None, typer.Option("--port", min=1, max=65535, help="Port; the first free from 8501.")
    ] = None,
    site: SiteFile = SITE_FILE,
    store: StoreFolder = STORE_FOLDER,
    host: Annotated[
        str,
        typer.Option(
            "--host", metavar="ADDRESS", help="Address to listen on; others than this computer's need a login."
        ),
    ] = HOST,
    login: Annotated[
        Path | None,
        typer.Option("--login", metavar="FILE", help="TOML with the [auth] section of an OpenID Connect login."),
    ] = None,
    without_login: Annotated[
        bool, typer.Option("--without-login", help="With --host: let everybody read and write who reaches the port.")
    ] = False,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", envvar="RUNLOG_NO_BROWSER", help="Serve the pages, open no browser.")
    ] = False,
) -> None:
    """Show the pages, on this computer only unless told otherwise, until Ctrl+C."""
    said = protection(host, login, without_login=without_login)
    serve(site, store, port, browser=not no_browser, host=host, login=login, protected_by=said)


def serve(
    site: Path,
    store: Path,
    port: int | None,
    *,
    browser: bool,
    host: str = HOST,
    login: Path | None = None,
    protected_by: str = "",
) -> None:
    """Run the dashboard until it is stopped; `protected_by` is said beside its address.

    Raises
    ------
    RunlogError
        The port is taken, or the dashboard does not start.
    """
    near = {"0.0.0.0": HOST, "::": "::1"}.get(host, host)
    port = _free_port(near, port)
    url = f"http://{f'[{near}]' if ':' in near else near}:{port}"
    places: dict[str, str] = {"RUNLOG_SITE": str(site.absolute()), "RUNLOG_STORE": str(store.absolute())}
    # A service manager stops us by SIGTERM, which must not leave Streamlit behind.
    signal.signal(signal.SIGTERM, _as_by_ctrl_c)
    if login is not None:
        places["RUNLOG_LOGIN"] = "asked for"
    process = subprocess.Popen(command(port, host, login), env=os.environ | places)
    try:
        with busy("starting the dashboard"):
            _wait_for(process, near, port)
        print(f"Dashboard: {url}    (Ctrl+C stops it)", flush=True)
        if protected_by:
            print(protected_by, flush=True)
        if browser:
            webbrowser.open(url)
        process.wait()
    except KeyboardInterrupt:
        console().print("Dashboard stopped.")
    finally:
        process.terminate()
        process.wait()


def _as_by_ctrl_c(*_: object) -> None:
    # Not by SIGINT itself, which is ignored by what a script starts in the background.
    raise KeyboardInterrupt


def command(port: int, host: str = HOST, login: Path | None = None) -> list[str]:
    """How Streamlit is called: this computer only unless another host is given, nothing sent elsewhere."""
    options = {
        "server.address": host,
        "server.port": str(port),
        # Without a browser of its own it also asks no questions; `serve` opens the browser.
        "server.headless": "true",
        "server.enableXsrfProtection": "true",
        "server.enableCORS": "true",
        "server.enableAgentApi": "false",
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
    }
    if login is not None:
        options["secrets.files"] = str(login.absolute())
    given = [word for name, value in options.items() for word in (f"--{name}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(dashboard_app()), *given]


def _free_port(host: str, wanted: int | None) -> int:
    tried = [wanted] if wanted else list(range(FIRST_PORT, FIRST_PORT + _PORTS_TRIED))
    for port in tried:
        if not _answers(host, port):
            return port
    raise RunlogError(f"--port {tried[0]}: in use, a free port expected; leave it out to have one found")


def _answers(host: str, port: int) -> bool:
    try:
        socket.create_connection((host, port), timeout=1).close()
    except OSError:
        return False
    return True


def _wait_for(process: subprocess.Popen[bytes], host: str, port: int) -> None:
    give_up = time.monotonic() + _STARTS_WITHIN_S
    while time.monotonic() < give_up:
        if process.poll() is not None:
            raise RunlogError(f"the dashboard did not start: Streamlit ended with code {process.returncode}, see above")
        if _answers(host, port):
            return
        time.sleep(0.1)
    raise RunlogError(f"the dashboard did not start within {_STARTS_WITHIN_S:.0f} s")

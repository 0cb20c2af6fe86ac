"""`runlog dashboard`: Streamlit on this computer only, as a process of its own."""

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
    no_browser: Annotated[
        bool, typer.Option("--no-browser", envvar="RUNLOG_NO_BROWSER", help="Serve the pages, open no browser.")
    ] = False,
) -> None:
    """Show the pages on 127.0.0.1 until Ctrl+C."""
    serve(site, store, port, browser=not no_browser)


def serve(site: Path, store: Path, port: int | None, *, browser: bool) -> None:
    """Run the dashboard until it is stopped.

    Raises
    ------
    RunlogError
        The port is taken, or the dashboard does not start.
    """
    port = _free_port(port)
    url = f"http://{HOST}:{port}"
    places = {"RUNLOG_SITE": str(site.absolute()), "RUNLOG_STORE": str(store.absolute())}
    # A service manager stops us by SIGTERM, which must not leave Streamlit behind.
    signal.signal(signal.SIGTERM, lambda *_: signal.raise_signal(signal.SIGINT))
    process = subprocess.Popen(command(port), env=os.environ | places)
    try:
        with busy("starting the dashboard"):
            _wait_for(process, port)
        print(f"Dashboard: {url}    (Ctrl+C stops it)", flush=True)
        if browser:
            webbrowser.open(url)
        process.wait()
    except KeyboardInterrupt:
        console().print("Dashboard stopped.")
    finally:
        process.terminate()
        process.wait()


def command(port: int) -> list[str]:
    """How Streamlit is called: this computer only, nothing sent elsewhere."""
    options = {
        "server.address": HOST,
        "server.port": str(port),
        # Without a browser of its own it also asks no questions; `serve` opens the browser.
        "server.headless": "true",
        "server.enableXsrfProtection": "true",
        "server.enableCORS": "true",
        "server.fileWatcherType": "none",
        "browser.gatherUsageStats": "false",
        "client.toolbarMode": "minimal",
    }
    given = [word for name, value in options.items() for word in (f"--{name}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(dashboard_app()), *given]


def _free_port(wanted: int | None) -> int:
    tried = [wanted] if wanted else list(range(FIRST_PORT, FIRST_PORT + _PORTS_TRIED))
    for port in tried:
        with socket.socket() as probe:
            if probe.connect_ex((HOST, port)) != 0:
                return port
    raise RunlogError(f"--port {tried[0]}: in use, a free port expected; leave it out to have one found")


def _wait_for(process: subprocess.Popen[bytes], port: int) -> None:
    give_up = time.monotonic() + _STARTS_WITHIN_S
    while time.monotonic() < give_up:
        if process.poll() is not None:
            raise RunlogError(f"the dashboard did not start: Streamlit ended with code {process.returncode}, see above")
        with socket.socket() as probe:
            if probe.connect_ex((HOST, port)) == 0:
                return
        time.sleep(0.1)
    raise RunlogError(f"the dashboard did not start within {_STARTS_WITHIN_S:.0f} s")

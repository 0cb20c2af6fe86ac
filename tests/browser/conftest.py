"""A browser that is installed, and dashboards to look at with it."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
SITE = ROOT / "sample_logs" / "site.toml"
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "msedge")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser_path() -> str:
    found = os.environ.get("RUNLOG_CHROMIUM") or next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("no browser found: CI must not pass over the pages")
        pytest.skip("no Chromium, Chrome or Edge found; RUNLOG_CHROMIUM names one")
    return found


@pytest.fixture(scope="module")
def browser(browser_path: str) -> Iterator[Any]:
    """One browser for the tests of a file."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        opened = play.chromium.launch(executable_path=browser_path, args=FLAGS)
        yield opened
        opened.close()


@contextmanager
def served(store: Path, site: Path, app: Path = ROOT / "dashboards" / "app.py") -> Iterator[str]:
    """A running dashboard over a store, or another app; gives its address."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    env = os.environ | {"RUNLOG_STORE": str(store), "RUNLOG_SITE": str(site), "PYTHONPATH": path}
    command = [sys.executable, "-m", "streamlit", "run", str(app), "--server.headless=true"]
    server = subprocess.Popen(
        [*command, "--server.address=127.0.0.1", f"--server.port={port}"],
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_for(f"http://127.0.0.1:{port}/_stcore/health")
        yield f"http://127.0.0.1:{port}/"
    finally:
        server.terminate()
        server.wait(timeout=20)


def wait_for(url: str, seconds: float = 60) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            urllib.request.urlopen(url, timeout=2).close()
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
        else:
            return
    pytest.fail(f"no dashboard at {url} after {seconds:.0f} s")

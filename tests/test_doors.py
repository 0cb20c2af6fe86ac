"""Who gets at the dashboard: what is refused before it starts, and what is said."""

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from runlog.cli import doors
from runlog.cli.dashboard import command
from runlog.errors import RunlogError

AUTH = {
    "redirect_uri": "https://runlog.example.com/oauth2callback",
    "cookie_secret": "0123456789abcdef0123456789abcdef",
    "client_id": "runlog",
    "client_secret": "word",
    "server_metadata_url": "https://login.example.com/.well-known/openid-configuration",
}


@pytest.fixture
def login(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(doors.importlib.util, "find_spec", lambda _: object())

    def written(**other: str) -> Path:
        file = tmp_path / "login.toml"
        file.write_text("[auth]\n" + "".join(f'{key} = "{value}"\n' for key, value in (AUTH | other).items()))
        return file

    return written


@pytest.mark.skipif(os.name == "nt", reason="Windows has neither background jobs of a shell nor SIGTERM")
def test_a_dashboard_that_a_script_started_in_the_background_ends_when_asked_to(tmp_path: Path):
    program = "import signal; signal.signal(signal.SIGINT, signal.SIG_IGN); from runlog.cli import main; main()"
    command = [sys.executable, "-c", program, "dashboard", "--no-browser"]
    server = subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    giving_up = threading.Timer(90, server.kill)
    giving_up.start()
    assert server.stdout
    assert any(line.startswith("Dashboard: ") for line in server.stdout)
    server.terminate()
    assert server.wait(30) == 0
    giving_up.cancel()


def test_this_computer_needs_no_login():
    assert "this computer only" in doors.protection("127.0.0.1", None, without_login=False)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "shop-pc"])
def test_a_network_without_login_is_refused_with_both_ways_out(host: str):
    with pytest.raises(RunlogError, match=r"--host .*--login FILE.*--without-login"):
        doors.protection(host, None, without_login=False)


def test_who_opens_it_to_everybody_is_told_what_that_means():
    assert "everybody who reaches 0.0.0.0 reads everything and may write" in doors.protection(
        "0.0.0.0", None, without_login=True
    )


def test_a_login_is_named_and_reaches_streamlit_by_its_file(login):
    file = login()
    said = doors.protection("0.0.0.0", file, without_login=False)
    assert "everybody whom login.example.com logs in" in said
    assert "NOT ENCRYPTED" not in said
    words = command(8599, "0.0.0.0", file)
    given = dict(zip(words[5::2], words[6::2], strict=True))
    assert given["--secrets.files"] == str(file)
    assert given["--server.address"] == "0.0.0.0"
    assert given["--server.enableCORS"] == "true"
    assert given["--server.enableAgentApi"] == "false"


def test_a_login_over_plain_http_is_told(login):
    file = login(redirect_uri="http://shop-pc:8501/oauth2callback")
    assert "NOT ENCRYPTED" in doors.protection("0.0.0.0", file, without_login=False)


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("client_id", "", "auth.client_id: nothing found"),
        ("redirect_uri", "https://runlog.example.com", "/oauth2callback at its end"),
        ("cookie_secret", "short", "32 random characters"),
    ],
)
def test_a_login_that_cannot_work_is_refused_before_it_starts(login, key: str, value: str, said: str):
    with pytest.raises(RunlogError, match=said):
        doors.protection("0.0.0.0", login(**{key: value}), without_login=False)


def test_a_missing_file_and_a_missing_section_are_told(tmp_path: Path):
    with pytest.raises(RunlogError, match="cannot be read"):
        doors.protection("0.0.0.0", tmp_path / "none.toml", without_login=False)
    (tmp_path / "other.toml").write_text("[server]\n")
    with pytest.raises(RunlogError, match=r"no section \[auth\]"):
        doors.protection("0.0.0.0", tmp_path / "other.toml", without_login=False)


def test_the_package_it_needs_is_named(login, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(doors.importlib.util, "find_spec", lambda _: None)
    with pytest.raises(RunlogError, match=r"runlog\[login\]"):
        doors.protection("0.0.0.0", login(), without_login=False)

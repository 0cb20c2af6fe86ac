"""Who can open the dashboard: what is refused before it starts, and what is said of its protection."""

import importlib.util
import tomllib
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from runlog.errors import RunlogError

LOOPBACK: Final = ("127.0.0.1", "::1", "localhost")
_KEYS: Final = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
_SECRET_LEAST: Final = 32


def protection(host: str, login: Path | None, *, without_login: bool) -> str:
    """What protects the pages, in words.

    Parameters
    ----------
    host : str
        Address the dashboard is to listen on.
    login : Path, optional
        TOML with Streamlit's section `[auth]`.
    without_login : bool
        Whether somebody chose that everybody may come in.

    Raises
    ------
    RunlogError
        A network would reach pages that ask nobody who they are, or the login cannot work.
    """
    if login is not None:
        if without_login:
            raise RunlogError("--login and --without-login contradict each other: give one of them")
        return _login(login)
    if host in LOOPBACK:
        return "Reached from this computer only; all its accounts can open the pages and write. No login."
    if not without_login:
        raise RunlogError(
            f"--host {host}: a network would reach pages that ask nobody who they are. Give --login FILE, the TOML of "
            "your OpenID Connect login (docs/serving.md), or --without-login if everybody may read everything and write"
        )
    return f"NO LOGIN: everybody who reaches {host} reads everything and may write. Nothing is encrypted."


def _login(file: Path) -> str:
    auth = _auth(file)
    for key in _KEYS:
        if not isinstance(auth.get(key), str) or not auth[key].strip():
            raise RunlogError(f"{file}: auth.{key}: nothing found, a text expected; docs/serving.md shows the file")
    if not auth["redirect_uri"].endswith("/oauth2callback"):
        raise RunlogError(f"{file}: auth.redirect_uri: the pages' address and /oauth2callback at its end expected")
    if len(auth["cookie_secret"]) < _SECRET_LEAST:
        raise RunlogError(f"{file}: auth.cookie_secret: {_SECRET_LEAST} random characters or more expected")
    if any(importlib.util.find_spec(name) is None for name in ("authlib", "httpx")):
        raise RunlogError('--login needs one more package: python -m pip install "runlog[login]"')
    return f"Login: everybody whom {urlsplit(auth['server_metadata_url']).netloc} logs in can open the pages." + _plain(
        auth
    )


def _plain(auth: dict[str, Any]) -> str:
    there = urlsplit(auth["redirect_uri"])
    if there.scheme == "https" or there.hostname in LOOPBACK:
        return ""
    return " NOT ENCRYPTED: who listens on the network can take a login over; see TLS in docs/serving.md."


def _auth(file: Path) -> dict[str, Any]:
    try:
        auth = tomllib.loads(file.read_text(encoding="utf-8")).get("auth")
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RunlogError(f"--login {file}: cannot be read: {error}") from None
    if not isinstance(auth, dict):
        raise RunlogError(f"{file}: no section [auth] found, one expected; docs/serving.md shows the file")
    return auth

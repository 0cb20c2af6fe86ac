"""The login in a real browser, against a small identity provider of this test."""

import base64
import hashlib
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import parse_qs, urlencode, urlsplit

import pytest
from browser.conftest import FLAGS, wait_for

from dashboards import nights
from runlog.store import Store

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


def encoded(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


class Provider:
    """Logs in `person` without asking, and signs what it says with RS256."""

    def __init__(self) -> None:
        from cryptography.hazmat.primitives.asymmetric import rsa

        self.key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
        self.person: dict[str, str] = {}
        self.nonces: dict[str, str] = {}
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), self.handler())
        self.url = f"http://127.0.0.1:{self.server.server_port}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def discovery(self) -> dict:
        places = {"authorization": "authorize", "token": "token"}
        return {
            "issuer": self.url,
            "jwks_uri": f"{self.url}/jwks",
            **{f"{name}_endpoint": f"{self.url}/{path}" for name, path in places.items()},
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["RS256"],
        }

    def jwks(self) -> dict:
        numbers = self.key.public_key().public_numbers()
        n, e = (encoded(one.to_bytes((one.bit_length() + 7) // 8, "big")) for one in (numbers.n, numbers.e))
        return {"keys": [{"kty": "RSA", "kid": "one", "alg": "RS256", "use": "sig", "n": n, "e": e}]}

    def token(self, code: str) -> dict:
        from cryptography.hazmat.primitives.asymmetric import padding
        from cryptography.hazmat.primitives.hashes import SHA256

        now = int(time.time())
        claims = {
            "iss": self.url,
            "aud": "runlog",
            "sub": "1",
            "iat": now,
            "exp": now + 600,
            "nonce": self.nonces[code],
        }
        head = {"alg": "RS256", "kid": "one", "typ": "JWT"}
        body = ".".join(encoded(json.dumps(part).encode()) for part in (head, claims | self.person))
        signed = self.key.sign(body.encode(), padding.PKCS1v15(), SHA256())
        return {"access_token": "a", "token_type": "Bearer", "expires_in": 600, "id_token": f"{body}.{encoded(signed)}"}

    def authorize(self, query: dict[str, list[str]]) -> str:
        code = hashlib.sha256(query["state"][0].encode()).hexdigest()
        self.nonces[code] = query["nonce"][0]
        return f"{query['redirect_uri'][0]}?{urlencode({'code': code, 'state': query['state'][0]})}"

    def handler(self) -> type[BaseHTTPRequestHandler]:
        provider = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                asked = urlsplit(self.path)
                if asked.path == "/authorize":
                    self.send_response(302)
                    self.send_header("Location", provider.authorize(parse_qs(asked.query)))
                    self.end_headers()
                else:
                    self.give(provider.jwks() if asked.path == "/jwks" else provider.discovery())

            def do_POST(self) -> None:
                form = parse_qs(self.rfile.read(int(self.headers["Content-Length"])).decode())
                self.give(provider.token(form["code"][0]))

            def give(self, told: dict) -> None:
                self.send_response(200)
                self.send_header("Content-Type", "application/json")
                self.end_headers()
                self.wfile.write(json.dumps(told).encode())

            def log_message(self, *_: object) -> None:
                """Say nothing."""

        return Handler


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimpleNamespace]:
    """A dashboard started as a user starts it, behind the provider's login."""
    for needed in ("authlib", "httpx", "cryptography"):
        if not os.environ.get("CI"):
            pytest.importorskip(needed)
    folder, provider, port = tmp_path_factory.mktemp("shop"), Provider(), free_port()
    store, site = nights.stored(folder)
    site.write_text(site.read_text() + '\n[dashboard]\nwriters = ["anna@example.com"]\n')
    address = f"http://127.0.0.1:{port}"
    login = folder / "login.toml"
    login.write_text(
        f'[auth]\nredirect_uri = "{address}/oauth2callback"\ncookie_secret = "{"0123456789abcdef" * 2}"\n'
        f'client_id = "runlog"\nclient_secret = "word"\n'
        f'server_metadata_url = "{provider.url}/.well-known/openid-configuration"\n'
    )
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    words = ["dashboard", "--login", login, "--port", port, "--no-browser", "--site", site, "--store", store]
    served = subprocess.Popen(
        [sys.executable, "-m", "runlog", *map(str, words)],
        env=os.environ | {"PYTHONPATH": path},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_for(f"{address}/_stcore/health", seconds=120)
        stops = Store(store).fact("stops").collect().filter(machine="T01").sort("duration_s")
        start = stops["start"][-1]
        yield SimpleNamespace(address=address, provider=provider, stop=f"T01 {start:%Y-%m-%dT%H:%M:%SZ}")
    finally:
        served.terminate()
        served.wait(timeout=30)
        provider.server.shutdown()


def test_nobody_sees_data_before_the_login_and_only_writers_write(browser_path, shop):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=browser_path, args=FLAGS)
        for email, writes in (("anna@example.com", True), ("bert@example.com", False)):
            shop.provider.person = {"email": email, "name": email.split("@")[0].title()}
            context = browser.new_context()
            page = context.new_page()
            asked: set[str | None] = set()
            page.on("request", lambda request, asked=asked: asked.add(urlsplit(request.url).hostname))
            page.on("websocket", lambda opened, asked=asked: asked.add(urlsplit(opened.url).hostname))
            page.goto(shop.address)
            page.get_by_role("button", name="Log in").wait_for(timeout=60_000)
            assert "T01" not in page.inner_text("body")
            page.get_by_role("button", name="Log in").click()
            page.wait_for_selector(".rl-row", timeout=60_000)
            assert "Walk to T01 first" in page.inner_text("body")
            assert f"Logged in: {shop.provider.person['name']}" in page.inner_text("body")
            page.goto(f"{shop.address}/?{urlencode({'stop': shop.stop})}")
            page.get_by_role("button", name="Close this stop").wait_for(timeout=60_000)
            page.wait_for_selector(".rl-cautions", timeout=60_000)
            assert (page.get_by_role("button", name="Name its cause").count() == 1) is writes
            assert {name for name in asked if name} == {"127.0.0.1"}
            page.get_by_role("button", name="Log out").click()
            page.get_by_role("button", name="Log in").wait_for(timeout=60_000)
            context.close()
        browser.close()

"""The page behind a real nginx with TLS, by the very block of docs/page.md, on the loopback."""

from __future__ import annotations

import http.client
import json
import re
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from support.serving import ROOT, serving

from routing.web.guard import KEY_HEADER

NAME = "quotes.example"
TOKENS = {"Anna": "x9Tq-2mRv-77LbePz", "Otto": "hG4k-wW81-0sJnMdq"}


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        return int(found.getsockname()[1])


@dataclass
class Proxy:
    """What a browser would ask, over TLS; the certificate is our own and is verified."""

    port: int
    trusted: Path

    def ask(
        self, method: str, path: str, body: bytes = b"", **headers: str
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        line = self.open()
        line.request(method, path, body, {"Host": f"{NAME}:{self.port}"} | _named(headers))
        answer = line.getresponse()
        told = answer.status, answer.headers, answer.read()
        line.close()
        return told

    def open(self) -> http.client.HTTPSConnection:
        context = ssl.create_default_context(cafile=str(self.trusted))
        line = http.client.HTTPSConnection(NAME, self.port, timeout=60, context=context)
        plain = socket.create_connection(("127.0.0.1", self.port), 60)  # the name is in no name server
        line.sock = context.wrap_socket(plain, server_hostname=NAME)
        return line


def _named(headers: dict[str, str]) -> dict[str, str]:
    return {name.replace("_", "-"): value for name, value in headers.items()}


@pytest.fixture(scope="module")
def proxy(tmp_path_factory) -> Iterator[Proxy]:
    nginx, openssl = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin"), shutil.which("openssl")
    if not nginx or not openssl:
        pytest.skip("no nginx or openssl on this machine: apt-get install nginx-light openssl")
    folder = tmp_path_factory.mktemp("proxy")
    key, certificate, port, behind = folder / "key", folder / "crt", _free_port(), _free_port()
    subprocess.run(
        [openssl, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
         "-keyout", key, "-out", certificate, "-days", "2", "-subj", f"/CN={NAME}",
         "-addext", f"subjectAltName=DNS:{NAME}"],
        check=True, capture_output=True,
    )  # fmt: skip
    text = (ROOT / "docs" / "page.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"<!-- nginx -->\n```nginx\n(.*?)```", text, re.DOTALL)
    for told, here in (
        ("listen 443", f"listen 127.0.0.1:{port}"),
        ("/etc/ssl/quotes.crt", str(certificate)),
        ("/etc/ssl/private/quotes.key", str(key)),
        ("127.0.0.1:8470", f"127.0.0.1:{behind}"),
    ):
        assert block.count(told) == 1
        block = block.replace(told, here)
    places = "\n".join(
        f"{kind}_temp_path {folder}/{kind};" for kind in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    )
    (folder / "nginx.conf").write_text(
        f"daemon off; pid {folder}/pid; error_log {folder}/errors;\nevents {{}}\n"
        f"http {{\naccess_log off;\n{places}\n{block}\n}}\n"
    )
    people = folder / "people.toml"
    people.write_text("".join(f'{name} = "{token}"\n' for name, token in TOKENS.items()))
    started = subprocess.Popen([nginx, "-p", folder, "-c", folder / "nginx.conf"], stderr=subprocess.PIPE)
    own = ["--port", str(behind), "--people", str(people), "--address", f"https://{NAME}:{port}"]
    try:
        with serving(folder / "jobs", *own) as server:
            assert server.url == f"https://{NAME}:{port}/"
            deadline = time.monotonic() + 10
            while socket.socket().connect_ex(("127.0.0.1", port)):
                assert started.poll() is None, (folder / "errors").read_text()
                assert time.monotonic() < deadline
                time.sleep(0.05)
            yield Proxy(port, certificate)
    finally:
        started.terminate()
        started.wait(10)


def _welcome(proxy: Proxy, name: str) -> str:
    status, headers, _ = proxy.ask("GET", f"/?token={TOKENS[name]}")
    assert status == 303
    cookie = headers["set-cookie"]
    assert "Secure" in cookie
    assert "HttpOnly" in cookie
    return cookie.partition(";")[0]


def test_a_page_over_tls_hands_in_what_is_larger_than_a_proxy_takes_by_itself(proxy):
    """nginx takes 1 MB unless it is told otherwise (client_max_body_size, its own reference)."""
    assert proxy.ask("GET", "/api/session")[0] == 401
    cookie, own = _welcome(proxy, "Anna"), f"https://{NAME}:{proxy.port}"
    told = json.loads(proxy.ask("GET", "/api/session", Cookie=cookie)[2])
    assert told["who"] == "Anna"
    sent = {"Cookie": cookie, "Origin": own, "Sec_Fetch_Site": "same-origin", KEY_HEADER: told["key"]}
    status, _, body = proxy.ask("POST", "/api/jobs?name=large.step", b"no STEP " * 400_000, **sent)
    assert status == 201
    job = json.loads(body)["id"]
    other = _welcome(proxy, "Otto")
    assert proxy.ask("DELETE", f"/api/jobs/{job}", **{**sent, "Cookie": other})[0] == 204
    log = json.loads(proxy.ask("GET", "/api/log", Cookie=cookie)[2])["log"]
    assert [(e["who"], e["what"], e["name"]) for e in log] == [
        ("Otto", "removed", "large.step"),
        ("Anna", "handed in", "large.step"),
    ]


def test_what_comes_from_elsewhere_is_refused_behind_the_proxy_too(proxy):
    cookie = _welcome(proxy, "Anna")
    key = json.loads(proxy.ask("GET", "/api/session", Cookie=cookie)[2])["key"]
    for origin in (
        "https://evil.example",
        f"http://{NAME}:{proxy.port}x",
        f"https://{NAME}:{proxy.port + 1}",
    ):
        answer = proxy.ask("POST", "/api/sample", Cookie=cookie, Origin=origin, **{KEY_HEADER: key})
        assert answer[0] == 403, origin
    assert proxy.ask("GET", "/", Host="other.example", Cookie=cookie)[0] == 421


def test_events_come_through_as_they_happen(proxy):
    """A proxy that gathered the stream would hold back its first words: they are a few bytes."""
    cookie = _welcome(proxy, "Anna")
    line = proxy.open()
    line.request("GET", "/api/events", headers={"Host": f"{NAME}:{proxy.port}", "Cookie": cookie})
    start = time.monotonic()
    assert line.getresponse().readline() == b"retry: 1000\n"
    assert time.monotonic() - start < 5
    line.close()

"""Starts the server: where it listens, and for whom."""

from __future__ import annotations

import ipaddress
import secrets
import socket
from collections.abc import Callable
from pathlib import Path

import uvicorn

from routing.web.app import make_app
from routing.web.guard import Rules
from routing.web.store import Store, StoreError

_TOKEN_LENGTH = 16


class ServeError(Exception):
    """The server cannot be started as asked. ``str()`` is one line."""


def run_server(
    folder: Path,
    say: Callable[[str], None],
    *,
    port: int,
    open_to: str | None = None,
    token: str | None = None,
    shop: Path | None = None,
    size_limit_mb: float = 200.0,
    time_limit_s: float = 600.0,
) -> None:
    """Serves until it is told to stop; ``say`` gets the address. Raises ServeError."""
    host = open_to or "127.0.0.1"
    loopback = _is_loopback(host)
    if token is not None and len(token) < _TOKEN_LENGTH:
        raise ServeError(f"--token is too short to be safe: write at least {_TOKEN_LENGTH} signs.")
    if token is None and not loopback:
        token = secrets.token_urlsafe(24)
    rules = Rules(
        names=Rules().names | {host.lower(), *(() if loopback else (socket.gethostname().lower(),))},
        token=token,
        open_to_net=not loopback,
        body_limit=int(size_limit_mb * 1e6),
    )
    listening = _listen(host, port)
    try:
        store = Store(folder)
    except StoreError as error:
        raise ServeError(str(error)) from error
    app = make_app(store, rules, shop=shop, time_limit_s=time_limit_s)
    shown = socket.gethostname() if host in ("0.0.0.0", "::") else host
    address = f"http://{f'[{shown}]' if ':' in shown else shown}:{listening.getsockname()[1]}/"
    say(f"open {address}{f'?token={token}' if token else ''}")
    if not loopback:
        say("whoever has this address sees the models; it goes over the network unencrypted.")
    config = uvicorn.Config(
        app, log_level="warning", server_header=False, proxy_headers=False, timeout_graceful_shutdown=2
    )
    uvicorn.Server(config).run(sockets=[listening])


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _listen(host: str, port: int) -> socket.socket:
    try:
        family, kind, *_, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        listening = socket.socket(family, kind)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
    except OSError as error:
        raise ServeError(
            f"{host} port {port} cannot be opened ({error.strerror}): name another --port."
        ) from error
    listening.listen(128)
    return listening

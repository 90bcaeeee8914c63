"""Starts the server: where it listens, and for whom."""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import re
import secrets
import socket
from collections.abc import Callable
from pathlib import Path
from urllib.parse import quote

import uvicorn

from routing.jobs.errors import SetupError, one_line
from routing.web.app import make_app
from routing.web.guard import TOKEN_LENGTH, Rules, is_token
from routing.web.people import load_people
from routing.web.store import Store

# As a browser names where a page is from (RFC 6454): scheme, name, port.
_ADDRESS = re.compile(r"https?://[a-z0-9.-]+(:\d{1,5})?", re.IGNORECASE)


class ServeError(SetupError):
    """The server cannot be started as asked."""


class _OneLine(logging.Formatter):
    """What goes wrong in the server, as the terminal is told it; with its traceback for ``debug``."""

    def __init__(self, *, debug: bool) -> None:
        super().__init__()
        self._debug = debug

    def format(self, record: logging.LogRecord) -> str:
        error = record.exc_info[1] if record.exc_info else None
        text = f"{record.getMessage().splitlines()[0]}{f': {one_line(error)}' if error else ''}"
        trace = self.formatException(record.exc_info) + "\n" if self._debug and record.exc_info else ""
        return f"{trace}dieroute: {text}"


def _is_news(record: logging.LogRecord) -> bool:
    """Whether it is a fault: a page that is open when the server ends has its stream of events cut off."""
    error = record.exc_info[1] if record.exc_info else None
    return not (isinstance(error, asyncio.CancelledError) or record.getMessage().startswith("Cancel "))


def run_server(
    folder: Path,
    say: Callable[[str], None],
    *,
    port: int,
    open_to: str | None = None,
    token: str | None = None,
    people: Path | None = None,
    address: str | None = None,
    workers: int = 2,
    shop: Path | None = None,
    size_limit_mb: float = 200.0,
    time_limit_s: float = 600.0,
    debug: bool = False,
) -> None:
    """Serves until it is told to stop; ``say`` gets the address. Raises SetupError."""
    host = open_to or "127.0.0.1"
    loopback = _is_loopback(host)
    if token is not None and not is_token(token):
        raise ServeError(f"--token is no safe one: write at least {TOKEN_LENGTH} letters, digits and signs.")
    if address is not None and not _ADDRESS.fullmatch(address):
        raise ServeError("--address is what browsers open: write https://name, with :port if it is not 443.")
    known = load_people(people) if people else {}
    if token is None and not known and (address or not loopback):
        token = secrets.token_urlsafe(24)
    rules = Rules(
        names=Rules().names | {host.lower(), *(() if loopback else (socket.gethostname().lower(),))},
        token=token,
        people=known,
        address=address,
        open_to_net=not loopback,
        body_limit=int(size_limit_mb * 1e6),
    )
    listening = _listen(host, port)
    handler = logging.StreamHandler()
    handler.setFormatter(_OneLine(debug=debug))
    handler.addFilter(_is_news)
    logging.basicConfig(level=logging.WARNING, handlers=[handler], force=True)
    app = make_app(Store(folder), rules, shop=shop, time_limit_s=time_limit_s, workers=workers)
    shown = socket.gethostname() if host in ("0.0.0.0", "::") else host
    here = f"http://{f'[{shown}]' if ':' in shown else shown}:{listening.getsockname()[1]}"
    say(f"open {address or here}/{f'?token={quote(token)}' if token else ''}")
    if address:
        say(f"the proxy for it finds this server at {here}")
    if not loopback:
        say("whoever has this address sees the models; it goes over the network unencrypted.")
    config = uvicorn.Config(
        app, log_config=None, server_header=False, proxy_headers=False, timeout_graceful_shutdown=2
    )
    uvicorn.Server(config).run(sockets=[listening])


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _listen(host: str, port: int) -> socket.socket:
    try:
        family, *_, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        return socket.create_server(address[:2], family=family, backlog=128)
    except OSError as error:
        why = str(error.strerror).partition(" (while")[0]  # which names the address once more
        raise ServeError(f"{host} port {port} cannot be opened ({why}): name another --port.") from error

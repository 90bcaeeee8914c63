"""Who may ask this server what: every request passes here first.

The server holds a customer's models and starts work, so a page of another site that happens to be open in
the same browser must get nothing from it: neither through a name that it points at this machine (Host), nor
by posting across sites (Origin, Sec-Fetch-Site and a key that only our own page can read).
"""

from __future__ import annotations

import ipaddress
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlencode, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

KEY_HEADER = "x-dieroute-key"
_READS = ("GET", "HEAD")
TOKEN_LENGTH = 16
_TOKEN = re.compile(rf"[!-~]{{{TOKEN_LENGTH},}}")
# No inline script or style, nothing from elsewhere, no frame around us; text reaches the page only as text.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'"
)
_ALWAYS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True)
class Rules:
    """``names`` are the host names we answer to; any address in figures is one too when ``open_to_net``.

    With a ``token``, or with ``people`` by their own tokens, every visitor must show one; ``key`` is told to
    our own page and asked of every request that changes something. ``address`` is what a proxy before us is
    called (https://name:port): its name is one of ours, and its pages are our own.
    """

    names: frozenset[str] = frozenset({"127.0.0.1", "localhost", "::1"})
    token: str | None = None
    people: Mapping[str, str] = field(default_factory=dict)
    address: str | None = None
    open_to_net: bool = False
    body_limit: int = 200_000_000
    key: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    def __post_init__(self) -> None:
        if self.token is not None and not self.token.strip():
            raise ValueError("an empty token lets everyone in")

    def knows_host(self, host: str) -> bool:
        """An address in figures cannot be pointed at us by a foreign name server, a name can."""
        name = _host_name(host)
        if name is None:
            return False
        if name in self.names or (self.address and name == urlsplit(self.address).hostname):
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return self.open_to_net

    @property
    def asks(self) -> bool:
        """Whether a visitor must show a token."""
        return self.token is not None or bool(self.people)

    def owner(self, shown: str) -> str | None:
        """Whose token it is; empty for the one for all, None for none of ours."""
        if self.token is not None and _same(shown, self.token):
            return ""
        found = [name for token, name in self.people.items() if _same(shown, token)]
        return found[0] if found else None

    def is_own(self, origin: str, host: str) -> bool:
        """Whether a page of that origin (RFC 6454) is ours."""
        return (
            origin.lower() == (self.address or "").lower() or urlsplit(origin).netloc.lower() == host.lower()
        )


def is_token(text: str) -> bool:
    """Whether it is long enough to be guessed by nobody, and can be sent."""
    return _TOKEN.fullmatch(text) is not None


class Guard:
    """Wraps the whole application."""

    def __init__(self, app: ASGIApp, rules: Rules) -> None:
        self._app, self._rules = app, rules

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web sockets here
            await send({"type": "websocket.close", "code": 1008})
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in {**_ALWAYS, "content-security-policy": POLICY}.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, send_with_headers)
            return
        await self._app(scope, self._limited(receive), send_with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._rules.knows_host(hosts[0]):
            return _no(421, "this server does not answer to that host name.")
        changes = scope["method"] not in _READS
        site = headers.get("sec-fetch-site", "none")
        if site not in ("same-origin", "none") and (changes or scope["path"] != "/"):
            return _no(403, "requests from another site are refused.")
        origin = headers.get("origin")
        if origin is not None and not self._rules.is_own(origin, hosts[0]):
            return _no(403, "requests from another site are refused.")
        if (asked := self._token_refusal(scope, headers)) is not None:
            return asked
        if changes and not _same(headers.get(KEY_HEADER, ""), self._rules.key):
            return _no(403, "the page is older than this server: load it again.", {"x-dieroute-stale": "1"})
        length = headers.get("content-length", "0")
        if not length.isdecimal():
            return _no(400, "the length of the request is not a number.")
        return _no(413, self._size_said()) if int(length) > self._rules.body_limit else None

    def _token_refusal(self, scope: Scope, headers: Headers) -> Response | None:
        if not self._rules.asks:
            return None
        query = parse_qs(scope["query_string"].decode("latin-1"))
        if scope["path"] == "/" and (given := query.pop("token", None)):
            if self._rules.owner(given[0]) is None:
                return _no(401, "that is no token of this server.")
            rest = urlencode(query, doseq=True)
            welcome = RedirectResponse(f"/?{rest}" if rest else "/", 303)
            secure = (self._rules.address or "").startswith("https:")
            welcome.set_cookie(
                _cookie(scope), given[0], httponly=True, samesite="strict", path="/", secure=secure
            )
            return welcome
        shown = headers.get("authorization", "").removeprefix("Bearer ") or _cookie_of(
            headers, _cookie(scope)
        )
        owner = self._rules.owner(shown)
        if owner is None:
            return _no(401, "open the address with ?token= that the server printed, or that you were given.")
        scope["who"] = owner
        return None

    def _size_said(self) -> str:
        return f"the file is over the limit of {self._rules.body_limit / 1e6:g} MB: send the insert alone."

    def _limited(self, receive: Receive) -> Receive:
        """Counts what really comes: a length may be left out or be a lie."""
        got = 0

        async def counted() -> Message:
            nonlocal got
            message = await receive()
            got += len(message.get("body", b""))
            if got > self._rules.body_limit:
                raise HTTPException(413, self._size_said())
            return message

        return counted


def _no(status: int, why: str, headers: dict[str, str] | None = None) -> Response:
    return PlainTextResponse(f"dieroute: {why}\n", status, headers)


def _same(given: str, wanted: str) -> bool:
    return secrets.compare_digest(given.encode(), wanted.encode())


def _cookie(scope: Scope) -> str:
    """Cookies do not know ports: two servers on one machine keep theirs apart by name."""
    return f"dieroute_{(scope.get('server') or ('', 0))[1]}"


def _cookie_of(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found else ""


def _host_name(host: str) -> str | None:
    """The name or address in a Host header, without its port."""
    try:
        parts = urlsplit(f"//{host}")
        plain = not (parts.path or parts.query or parts.fragment or "@" in parts.netloc)
        _ = parts.port
    except ValueError:
        return None
    return parts.hostname if plain else None

"""What the page's server can be asked, described as OpenAPI 3.1 describes it (spec.openapis.org/oas/v3.1.0).

An ``Endpoint`` is both: the route that is served and its description, so that neither is without the other.
"""

from __future__ import annotations

import inspect
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Any

from starlette.convertors import Convertor, register_url_convertor
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from routing.web.guard import KEY_HEADER
from routing.web.schemas import COUNT, HEX_ID, TEXT, ref, schemas

Handler = Callable[[Request], Awaitable[Response]]
Schema = Mapping[str, Any]
JSON, BYTES, PLAIN = "application/json", "application/octet-stream", "text/plain"

# The parts of a path: how the server takes them, and what they are.
_TAKEN = {"number": "count", "part": "count", "stage": "count", "setup": "count", "file": "path"}
_PARTS: Mapping[str, tuple[str, Schema]] = {
    "job": ("the job", HEX_ID),
    "number": ("its revision; the first is 1", {**COUNT, "minimum": 1}),
    "part": ("a part of the file, from 0", COUNT),
    "stage": ("a stage of the stock, from 0", COUNT),
    "setup": ("a setup of the plan; the first is 1", COUNT),
    "name": ("a file of the page", {**TEXT, "minLength": 1}),
    "file": ("a file made, as the revision lists it; a slash is written %2F", {**TEXT, "minLength": 1}),
}
_REFUSALS = {
    400: "the request is not what is described here",
    401: "this server asks for a token",
    403: "of another site, or without the key of /api/session",
    404: "there is no such thing",
    409: "not in this state",
    413: "over the limit of bytes",
    421: "not a name of this server",
    422: "it cannot be used, with the reason",
    507: "the disk of the server is full",
}
_ALWAYS = (400, 401, 403, 421)


class _Count(Convertor[int]):
    """A whole number; one of more digits than anything here has is no path of ours."""

    regex = "[0-9]{1,9}"

    def convert(self, value: str) -> int:
        return int(value)

    def to_string(self, value: int) -> str:
        return str(value)


register_url_convertor("count", _Count())


@dataclass(frozen=True)
class Endpoint:
    """One request. What its handler's docstring says is what people read of it.

    ``answer`` is the schema of what comes back as ``kind`` with ``status``; ``body`` of what is sent as
    ``sent``; ``query`` names each thing that may stand behind the question mark, and what it is.
    """

    method: str
    path: str
    handler: Handler
    answer: Schema | None = None
    kind: str = JSON
    status: int = 200
    refusals: tuple[int, ...] = ()
    query: Mapping[str, tuple[str, Schema]] = field(default_factory=dict)
    needed: tuple[str, ...] = ()
    body: Schema | None = None
    sent: str = JSON

    def operation(self) -> dict[str, Any]:
        """The operation object."""
        summary, _, more = (inspect.getdoc(self.handler) or "").partition("\n\n")
        named = [n for n in _PARTS if f"{{{n}}}" in self.path]
        told: dict[str, Any] = {"summary": " ".join(summary.split())}
        if more:
            told["description"] = " ".join(more.split())
        told["operationId"] = getattr(self.handler, "__name__", "")
        told["parameters"] = [_parameter(n, "path", *_PARTS[n], required=True) for n in named] + [
            _parameter(n, "query", *what, required=n in self.needed) for n, what in self.query.items()
        ]
        if self.body is not None:
            content = {self.sent: {"schema": self.body}}
            told["requestBody"] = {"required": self.sent == JSON, "content": content}
        answer: dict[str, Any] = {"description": HTTPStatus(self.status).phrase}
        if self.answer is not None:
            answer["content"] = {self.kind: {"schema": self.answer}}
        told["responses"] = {str(self.status): answer} | {
            str(status): ref("responses", str(status)) for status in self._refused()
        }
        if self.method != "GET":
            told["security"] = [{"key": []}]
        return told

    def _refused(self) -> list[int]:
        found = {*_ALWAYS, *self.refusals}
        if "{" in self.path:
            found.add(404)
        if self.method != "GET":
            found.add(507)
        if self.method == "POST":
            found.add(413)
        return sorted(found)


def routes(endpoints: Iterable[Endpoint]) -> list[Route]:
    """One for each path, which thus knows all that may be done with it; in the order of the endpoints."""
    paths: dict[str, dict[str, Handler]] = {}
    for endpoint in endpoints:
        path = endpoint.path
        for name, convertor in _TAKEN.items():
            path = path.replace(f"{{{name}}}", f"{{{name}:{convertor}}}")
        paths.setdefault(path, {})[endpoint.method] = endpoint.handler
    return [Route(path, _by_method(handlers), methods=list(handlers)) for path, handlers in paths.items()]


def _by_method(handlers: Mapping[str, Handler]) -> Handler:
    async def handle(request: Request) -> Response:
        return await handlers["GET" if request.method == "HEAD" else request.method](request)

    return handle


def described(endpoints: Iterable[Endpoint], version: str) -> dict[str, Any]:
    """The OpenAPI document."""
    paths: dict[str, dict[str, Any]] = {}
    for endpoint in endpoints:
        paths.setdefault(endpoint.path, {})[endpoint.method.lower()] = endpoint.operation()
    line = {"type": "string", "pattern": "^dieroute: [^\n]*\n$"}
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "dieroute serve",
            "version": version,
            "description": "What the page asks of its server, for programs of your own. A request that "
            "changes something carries the key that GET /api/session tells; a server with a token asks "
            "every request for it (Authorization: Bearer). What is refused is told in one line of text.",
        },
        "servers": [{"url": "/"}],
        "paths": paths,
        "components": {
            "schemas": schemas(),
            "responses": {
                str(status): {"description": why, "content": {PLAIN: {"schema": line}}}
                for status, why in _REFUSALS.items()
            },
            "securitySchemes": {"key": {"type": "apiKey", "in": "header", "name": KEY_HEADER}},
        },
    }


def _parameter(name: str, where: str, what: str, schema: Schema, *, required: bool) -> dict[str, Any]:
    return {"name": name, "in": where, "required": required, "description": what, "schema": schema}

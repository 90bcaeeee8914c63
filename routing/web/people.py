"""Who asks, where people have tokens of their own, and the log of who decided what."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from routing.inputs.toml_file import TomlError, parsed_text
from routing.jobs.errors import SetupError
from routing.web.guard import is_token
from routing.web.interface import Endpoint
from routing.web.schemas import OF_JOB, ref
from routing.web.store import Store


class PeopleError(SetupError):
    """The file of people cannot be used."""


def who(request: Request) -> str:
    """The person whose token was shown; empty where there is one for all, or none."""
    return str(request.scope.get("who", ""))


def load_people(path: Path) -> Mapping[str, str]:
    """Tokens with the names of their owners, from a file of lines ``name = "token"``; raises PeopleError."""
    try:
        found = parsed_text(path.read_text(encoding="utf-8"), path.name)
    except (OSError, UnicodeDecodeError, TomlError, tomllib.TOMLDecodeError) as error:
        raise PeopleError(f'{path} cannot be read ({error}): write name = "token" in each line.') from error
    people: dict[str, str] = {}
    for name, token in found.items():
        if not (isinstance(token, str) and is_token(token)):
            raise PeopleError(
                f"{path}: {name} has no safe token: write 16 letters, digits and signs or more."
            )
        if token in people:
            raise PeopleError(f"{path}: {name} has the token of {people[token]}: give each one of their own.")
        people[token] = name
    if not people:
        raise PeopleError(f'{path} names nobody: write name = "token" in each line.')
    return people


class Log:
    """The handler, over one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def endpoints(self) -> list[Endpoint]:
        return [Endpoint("GET", "/api/log", self.log, ref("schemas", "Log"), query=OF_JOB)]

    async def log(self, request: Request) -> Response:
        """Who did what to which job, the latest first, with the choices before and after."""
        return JSONResponse({"log": self._store.logged(request.query_params.get("job", "")[:40])})

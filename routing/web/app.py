"""The whole application: every room's requests behind the guard, one queue of jobs, one store."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp

from routing.jobs.errors import MENDABLE, one_line
from routing.web.deciding import Deciding
from routing.web.drawings import Drawings
from routing.web.events import Events
from routing.web.guard import Guard, Rules
from routing.web.handing import Handing
from routing.web.hinting import Hinting
from routing.web.interface import routes
from routing.web.jobs import JobQueue
from routing.web.liking import Liking, describe_missing
from routing.web.listing import Listing
from routing.web.measuring import Measuring
from routing.web.page import Page
from routing.web.people import Log
from routing.web.store import DISK_FULL, Store, is_full
from routing.web.taking import Taking


class App(Guard):
    """The guarded application; ``jobs`` is open to tests."""

    def __init__(self, app: ASGIApp, rules: Rules, jobs: JobQueue) -> None:
        super().__init__(app, rules)
        self.jobs = jobs


def make_app(
    store: Store, rules: Rules, *, shop: Path | None = None, time_limit_s: float = 600.0, workers: int = 2
) -> App:
    """The whole application, guarded; it ends its worker and closes the store when it is shut down."""
    events = Events()
    jobs = JobQueue(store, events.send, shop=shop, time_limit_s=time_limit_s, workers=workers)

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        ended = threading.Event()
        describing = threading.Thread(target=describe_missing, args=(store, ended), daemon=True)
        describing.start()
        yield
        ended.set()
        await run_in_threadpool(describing.join)
        await run_in_threadpool(jobs.close)
        store.close()

    async def refused(_: Request, error: Exception) -> Response:
        if isinstance(error, HTTPException):
            return _told(error.status_code, error.detail, error.headers)
        return _told(422 if isinstance(error, MENDABLE) else 500, one_line(error))

    async def failed(_: Request, error: Exception) -> Response:
        if not is_full(error):
            raise error
        return _told(507, DISK_FULL)

    rooms = (
        Deciding(store, jobs),
        Drawings(store, jobs),
        Handing(store, jobs),
        Hinting(store, jobs),
        Liking(store),
        Listing(store, jobs),
        Log(store),
        Measuring(store, jobs),
        Taking(store, jobs),
    )
    more = [endpoint for room in rooms for endpoint in room.endpoints()]
    app = Starlette(
        routes=routes(Page(store, jobs, events, rules, more).endpoints()),
        lifespan=life,
        exception_handlers={
            **dict.fromkeys((HTTPException, *MENDABLE, Exception), refused),
            **dict.fromkeys((OSError, sqlite3.Error), failed),
        },
    )
    return App(app, rules, jobs)


def _told(status: int, text: str, headers: Mapping[str, str] | None = None) -> Response:
    return PlainTextResponse(f"dieroute: {text}\n", status, headers)

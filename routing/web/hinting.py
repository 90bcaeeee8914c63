"""What would make a part cheaper, tried on a worker while the page goes on; the letter joins the files."""

from __future__ import annotations

import json
from concurrent.futures import CancelledError, Future
from functools import partial
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from routing.export.exporters.letter import DATA
from routing.jobs.errors import one_line
from routing.web.interface import Endpoint
from routing.web.jobs import JobQueue
from routing.web.records import State
from routing.web.schemas import ref
from routing.web.store import Store

_Part = tuple[str, int, int]


class Hinting:
    """The handlers, over one job queue. Parts (job, revision, part) that are tried now, and what failed."""

    def __init__(self, store: Store, jobs: JobQueue) -> None:
        self._store, self._jobs = store, jobs
        self._trying: set[_Part] = set()
        self._errors: dict[_Part, str] = {}

    def endpoints(self) -> list[Endpoint]:
        path, hints = "/api/jobs/{job}/{number}/{part}/cheaper", ref("schemas", "Hints")
        return [
            Endpoint("GET", path, self.show, hints),
            Endpoint("POST", path, self.begin, hints, status=202, refusals=(409,)),
        ]

    async def show(self, request: Request) -> Response:
        """What would make a part cheaper, as far as it was tried."""
        part, folder = self._asked(request)
        return JSONResponse(self._told(part, folder))

    async def begin(self, request: Request) -> Response:
        """Tries changes to the model on a part that is routed; an event tells when that is done."""
        part, folder = self._asked(request)
        job, number, place = part
        revision = self._store.revision(job, number)
        if revision.state is not State.DONE:
            raise HTTPException(409, "this revision has no result yet.")
        if part not in self._trying:
            self._trying.add(part)
            self._errors.pop(part, None)
            source = self._jobs.source(self._store.job(job), revision, place)
            args = (source, self._jobs.shop, str(folder))
            answer = self._jobs.ask("cheaper", *args, job=job, long=True)
            answer.add_done_callback(partial(self._done, part))
        return JSONResponse(self._told(part, folder), 202)

    def _done(self, part: _Part, answer: Future[Any]) -> None:
        self._trying.discard(part)
        try:
            answer.result()
        except CancelledError:
            pass
        except Exception as error:
            self._errors[part] = one_line(error)
        job, number, place = part
        self._jobs.notify({"cheaper": place, "job": job, "number": number})

    def _told(self, part: _Part, folder: Path) -> dict[str, Any]:
        file = folder / DATA
        found = json.loads(file.read_text(encoding="utf-8")) if file.is_file() else None
        return {"trying": part in self._trying, "error": self._errors.get(part, ""), "found": found}

    def _asked(self, request: Request) -> tuple[_Part, Path]:
        try:
            job = self._store.job(request.path_params["job"])
            revision = self._store.revision(job.id, request.path_params["number"])
        except KeyError:
            raise HTTPException(404, "there is no such revision.") from None
        place, parts = request.path_params["part"], revision.summary.get("parts", [])
        if place >= len(parts) and (revision.state is State.DONE or place):
            raise HTTPException(404, "there is no such part.")
        folder = str(parts[place].get("folder", ".")) if place < len(parts) else "."
        return (job.id, revision.number, place), self._store.result(job.id, revision.number) / folder

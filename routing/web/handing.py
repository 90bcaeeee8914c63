"""A sample to begin with, and a blank that is looked at as soon as it is handed in."""

from __future__ import annotations

import asyncio
import hashlib
import secrets
from contextlib import suppress
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from routing.jobs.errors import MENDABLE, one_line
from routing.web.interface import Endpoint
from routing.web.jobs import JobQueue
from routing.web.schemas import TEXT, ref, table
from routing.web.store import Store

SAMPLE = "sample_insert.step"
# Longer a person does not wait beside a form: the run itself says what is wrong with a blank.
_WAIT_S = 20.0


class Handing:
    """The handlers, over one job queue."""

    def __init__(self, store: Store, jobs: JobQueue) -> None:
        self._store, self._jobs = store, jobs

    def endpoints(self) -> list[Endpoint]:
        blank = "/api/jobs/{job}/{number}/blanks/{file}"
        return [
            Endpoint("POST", "/api/sample", self.sample, ref("schemas", "Job"), status=201),
            Endpoint("POST", blank, self.check, table(file=TEXT), refusals=(422,)),
        ]

    async def sample(self, _: Request) -> Response:
        """A new job of a part of our own."""
        upload = self._store.incoming / secrets.token_hex(8)
        try:
            await asyncio.wrap_future(self._jobs.ask("sample", str(upload)))
            job = self._store.add(upload, SAMPLE, hashlib.sha256(upload.read_bytes()).hexdigest(), {})
        finally:
            upload.unlink(missing_ok=True)
        self._jobs.submit(job.id, 1)
        return JSONResponse(self._store.job(job.id).as_dict(), 201)

    async def check(self, request: Request) -> Response:
        """Whether a blank handed in is one solid that holds the part; one that is not is forgotten."""
        file = request.path_params["file"]
        try:
            job = self._store.job(request.path_params["job"])
            revision = self._store.revision(job.id, request.path_params["number"])
            blank = next(b for b in job.blanks if b["file"] == file)
        except (KeyError, StopIteration):
            raise HTTPException(404, "this job has no such blank.") from None
        path: Path = self._store.place(job.id) / file
        answer: asyncio.Future[Any] = asyncio.wrap_future(
            self._jobs.ask(
                "check_blank", self._jobs.source(job, revision), self._jobs.shop, str(path), job=job.id
            )
        )
        with suppress(TimeoutError):
            try:
                await asyncio.wait_for(answer, _WAIT_S)
            except MENDABLE as error:
                self._store.forget_blank(job.id, file)
                raise HTTPException(422, one_line(error).replace(file, str(blank["name"]))) from None
        return JSONResponse({"file": file})

"""A customer's newer file as the next drawing of a job: handed in as such, or proposed and confirmed."""

from __future__ import annotations

import secrets
import shutil
from dataclasses import asdict
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from routing.web.asked import json_table
from routing.web.interface import BYTES, Endpoint
from routing.web.jobs import JobQueue
from routing.web.people import who
from routing.web.records import Job, JobRevision
from routing.web.schemas import FILE, NAME, ref, table
from routing.web.store import Store
from routing.web.uploads import uploaded

_FROM = {"from": ("the revision whose choices are taken over", {"type": "integer", "minimum": 1})}


class Drawings:
    """The handlers, over one job queue."""

    def __init__(self, store: Store, jobs: JobQueue) -> None:
        self._store, self._jobs = store, jobs

    def endpoints(self) -> list[Endpoint]:
        job = "/api/jobs/{job}"
        revision = ref("schemas", "Revision")
        return [
            Endpoint(
                "POST",
                f"{job}/drawings",
                self.next_drawing,
                revision,
                status=201,
                body=FILE,
                sent=BYTES,
                query={**NAME, **_FROM},
            ),
            Endpoint(
                "POST",
                f"{job}/similar",
                self.settle_proposal,
                table(revision={"anyOf": [revision, {"type": "null"}]}),
                body=table(join={"type": "boolean"}),
                refusals=(409,),
            ),
        ]

    async def next_drawing(self, request: Request) -> Response:
        """A STEP file as the next drawing of a job: a new revision, with the decisions of an earlier one."""
        job = self._job(request.path_params["job"])
        base = _base(job, request.query_params.get("from"))
        async with uploaded(self._store, request) as (upload, name, digest):
            made = self._next(job, base, upload, name, digest, who(request))
        return JSONResponse(asdict(made), 201)

    async def settle_proposal(self, request: Request) -> Response:
        """What a person says of a proposal: join makes this file the next drawing of the job proposed.

        The job that it was till then is gone afterwards; without join it stays one of its own.
        """
        join = (await json_table(request)).get("join")
        if not isinstance(join, bool):
            raise HTTPException(400, "write join: true or false.")
        job = self._job(request.path_params["job"])
        if not job.similar:
            raise HTTPException(409, "nothing is proposed for this job.")
        if not join:
            self._store.propose(job.id, {})
            return JSONResponse({"revision": None})
        other = self._job(str(job.similar["job"]))
        base = next((r for r in other.revisions if r.number == job.similar["number"]), other.revisions[-1])
        upload = self._store.incoming / secrets.token_hex(8)
        try:
            await run_in_threadpool(shutil.copyfile, self._store.model(job.id), upload)
            made = self._next(other, base, upload, job.name, job.sha256, who(request))
        finally:
            upload.unlink(missing_ok=True)
        await run_in_threadpool(self._jobs.remove, job.id)
        return JSONResponse({"revision": asdict(made)})

    def _next(
        self, job: Job, base: JobRevision, upload: Path, name: str, digest: str, person: str
    ) -> JobRevision:
        made = self._store.add_drawing(job.id, upload, name, digest, base, who=person)
        self._store.log(person, "drawing", self._store.job(job.id), made.number)
        self._jobs.submit(job.id, made.number)
        return made

    def _job(self, job: str) -> Job:
        try:
            return self._store.job(job)
        except KeyError:
            raise HTTPException(404, "there is no such job.") from None


def _base(job: Job, number: str | None) -> JobRevision:
    if number is None:
        return job.revisions[-1]
    found = next((r for r in job.revisions if str(r.number) == number), None)
    if found is None:
        raise HTTPException(404, "there is no such revision.")
    return found

"""What a person measures on a part in the view, on the exact geometry."""

from __future__ import annotations

import asyncio

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from featurize.errors import StepError
from routing.web.interface import Endpoint
from routing.web.jobs import JobQueue
from routing.web.schemas import TWO_THINGS, ref
from routing.web.store import Store


class Measuring:
    """The handler, over one job queue."""

    def __init__(self, store: Store, jobs: JobQueue) -> None:
        self._store, self._jobs = store, jobs

    def endpoints(self) -> list[Endpoint]:
        path = "/api/jobs/{job}/{number}/{part}/measure"
        return [
            Endpoint(
                "GET",
                path,
                self.measure,
                ref("schemas", "Measure"),
                query=TWO_THINGS,
                needed=("first",),
                refusals=(422,),
            )
        ]

    async def measure(self, request: Request) -> Response:
        """Distance, angle, radius and what lies between two faces or edges; of one, its own sizes."""
        try:
            job = self._store.job(request.path_params["job"])
            revision = self._store.revision(job.id, request.path_params["number"])
        except KeyError:
            raise HTTPException(404, "there is no such revision.") from None
        part = request.path_params["part"]
        if part >= len(job.drawing(revision.drawing)["parts"]):
            raise HTTPException(404, "there is no such part.")
        first, second = (request.query_params.get(key, "")[:12] for key in ("first", "second"))
        source = self._jobs.source(job, revision, part)
        answer = self._jobs.ask("measure", source, self._jobs.shop, first, second, job=job.id)
        try:
            return JSONResponse(await asyncio.wrap_future(answer))
        except StepError:
            raise
        except ValueError as error:
            raise HTTPException(422, f"{error}.") from None

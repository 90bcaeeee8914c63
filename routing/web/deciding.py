"""Many answers at once, what they changed, and those that would turn the part over."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from routing.inputs.choices import ChoicesError
from routing.web.answers import answered, as_table, from_table
from routing.web.asked import json_table
from routing.web.changed import what_changed
from routing.web.interface import Endpoint
from routing.web.jobs import JobQueue
from routing.web.people import who
from routing.web.records import Job, JobRevision, State
from routing.web.schemas import ref, table
from routing.web.store import Store

Place = Callable[[str], Mapping[str, Any]]


def decided(table: Mapping[str, Any], decisions: Any, place_of: Place) -> dict[str, Any]:
    """A table of choices with many answers, each for all of its ``features``; raises ChoicesError.

    With ``diameter_mm`` the thread counts for every hole with a bore of it, also of the next export: what was
    said of single ones of them is taken back.
    """
    changed = dict(table)
    for decision in decisions if isinstance(decisions, list) else [decisions]:
        try:
            features, answers = decision["features"], dict(decision["answers"])
            diameter_mm = decision.get("diameter_mm")
            if not isinstance(features, list):
                raise TypeError
            whole = None if diameter_mm is None else (f"{float(diameter_mm):.10g}", answers.pop("thread"))
        except (KeyError, TypeError, ValueError, AttributeError):
            raise ChoicesError(
                "decisions: write features and answers, perhaps diameter_mm, for each."
            ) from None
        for feature in features:
            own = {"thread": None} if whole else {}
            if own | answers:
                changed = answered(changed, place_of(feature), own | answers)
        if whole:
            threads = {**changed.get("threads", {}), whole[0]: whole[1]}
            changed = as_table(from_table({**changed, "threads": threads}))
    return changed


class Deciding:
    """The handlers, over one job queue."""

    def __init__(self, store: Store, jobs: JobQueue) -> None:
        self._store, self._jobs = store, jobs

    def endpoints(self) -> list[Endpoint]:
        revision = "/api/jobs/{job}/{number}"
        return [
            Endpoint("GET", f"{revision}/{{part}}/changes", self.changes, ref("schemas", "Changes")),
            Endpoint(
                "POST",
                f"{revision}/turned",
                self.turned,
                ref("schemas", "Revision"),
                refusals=(409,),
                body=table(count={"type": "boolean"}),
            ),
        ]

    async def changes(self, request: Request) -> Response:
        """What a revision changed in a part, against the nearest one before it that was worked out."""
        job, revision = self._asked(request)
        base = worked_out(job, revision)
        if revision.state is not State.DONE or base is None or base.drawing != revision.drawing:
            return JSONResponse({"base": None})
        part = request.path_params["part"]
        old, new = (self._route(r, part) for r in (base, revision))
        return JSONResponse({"base": base.number, "choices": base.choices, **what_changed(old, new)})

    async def turned(self, request: Request) -> Response:
        """``count``: whether an answer that turns the part over shall do so."""
        yes = (await json_table(request)).get("count")
        if not isinstance(yes, bool):
            raise HTTPException(400, "write count: true or false.")
        job, revision = self._asked(request)
        if revision.state is not State.HELD:
            raise HTTPException(409, "this revision does not wait for an answer.")
        self._store.log(who(request), "turned over" if yes else "not turned over", job, revision.number)
        return JSONResponse(asdict(self._jobs.count(job.id, revision.number, yes)))

    def _asked(self, request: Request) -> tuple[Job, JobRevision]:
        try:
            job = self._store.job(request.path_params["job"])
            number = request.path_params["number"]
            return job, next(r for r in job.revisions if r.number == number)
        except (KeyError, StopIteration):
            raise HTTPException(404, "there is no such revision.") from None

    def _route(self, revision: JobRevision, part: int) -> Mapping[str, Any]:
        try:
            folder = str(revision.summary["parts"][part]["folder"])
            path = self._store.result(revision.job, revision.number) / folder / "route.json"
            route: Mapping[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        except (LookupError, OSError):
            raise HTTPException(404, "there is no such part.") from None
        return route


def worked_out(job: Job, revision: JobRevision) -> JobRevision | None:
    """The nearest revision that this one builds on and that has a result."""
    by_number = {r.number: r for r in job.revisions}
    base = revision.base
    while base is not None and (found := by_number.get(base)) is not None:
        if found.state is State.DONE:
            return found
        base = found.base
    return None

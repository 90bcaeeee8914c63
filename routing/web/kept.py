"""Kept results: a route file by revision and part, a job by what people call it, a step by its code."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from routing.export.report.codes import plan_mark, read_code
from routing.web.records import Job, JobRevision, State
from routing.web.store import Store

Route = Mapping[str, Any]


@dataclass(frozen=True)
class KeptStep:
    """A step of a part of a finished revision."""

    job: Job
    revision: JobRevision
    part: int
    step: int


def route_of(store: Store, revision: JobRevision, part: int) -> Route:
    """The route file of a part; raises KeyError where there is none."""
    try:
        folder = str(revision.summary["parts"][part]["folder"])
        path = store.result(revision.job, revision.number) / folder / "route.json"
        route: Route = json.loads(path.read_text(encoding="utf-8"))
    except (LookupError, OSError, ValueError):
        raise KeyError(f"{revision.job} revision {revision.number} part {part}") from None
    return route


def finished(job: Job) -> Iterator[JobRevision]:
    """The revisions that have a result, the latest first."""
    return (r for r in reversed(job.revisions) if r.state is State.DONE and r.summary.get("parts"))


def job_called(store: Store, name: str) -> Job:
    """By its id, or by the name of its file; raises KeyError with how many there are of it."""
    try:
        return store.job(name)
    except KeyError:
        pass
    found = [store.job(job) for job in store.ids_called(name)]
    if len(found) != 1:
        raise KeyError(len(found))
    return found[0]


def step_of_code(store: Store, text: str) -> KeptStep:
    """The step that a traveller's code names; raises KeyError for none of this server."""
    code = read_code(text)
    if code is None:
        raise KeyError(text)
    for job in map(store.job, store.ids_of_file(code.file)):
        for revision in finished(job):
            for part in range(len(revision.summary["parts"])):
                try:
                    route = route_of(store, revision, part)
                except KeyError:
                    continue
                if route["part"]["sha256"].startswith(code.file) and plan_mark(route) == code.plan:
                    if not any(o["number"] == code.step for o in route["operations"]):
                        raise KeyError(text)
                    return KeptStep(job, revision, part, code.step)
    raise KeyError(text)

"""The page's requests. Everything that a visitor names is looked up, nothing is made into a path."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    Response,
    StreamingResponse,
)

from routing.inputs.choices import BLANKS, BREAKS, CALLED, ChoicesError
from routing.inputs.toml_file import TomlError, parsed_text
from routing.processes.rooms import process_names, signs
from routing.web.answers import answered, as_table, as_toml, from_table
from routing.web.asked import as_mapping, json_table
from routing.web.bodies import body_of_stl
from routing.web.deciding import decided
from routing.web.events import Events
from routing.web.guard import Rules
from routing.web.interface import BYTES, PLAIN, Endpoint, described
from routing.web.jobs import JobQueue
from routing.web.listing import read_order
from routing.web.packing import files, pack, stem
from routing.web.people import who
from routing.web.records import ForkError, Job, JobRevision, State
from routing.web.reference import reference_page
from routing.web.schemas import DRAWING, FILE, LIKE, NAME, ORDERED, SEARCH, SHOW, SIDES, TEXT, ref
from routing.web.store import FIXTURES, PLACES, PREVIEW, Store, is_blank_file
from routing.web.uploads import uploaded

_HERE = Path(__file__).parent
_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
_FILE_TYPES = _TYPES | {".json": "application/json", ".pdf": "application/pdf", ".csv": "text/csv"}
# A document of ours that is shown in a tab of its own may draw, but is of no site and reaches nothing.
_ALONE = (
    "sandbox allow-scripts; default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; font-src data:"
)
# A proxy that would gather the stream of events lets it through (nginx).
_AT_ONCE = {"x-accel-buffering": "no"}
_REVISING = (
    {"from", "choices"},
    {"from", "toml"},
    {"from", "part", "feature", "answers"},
    {"from", "part", "decisions"},
)
_BODY, _JOB, _REVISION = (ref("schemas", name) for name in ("Body", "Job", "Revision"))


class Page:
    """The handlers, over one job queue."""

    def __init__(
        self, store: Store, jobs: JobQueue, events: Events, rules: Rules, more: Sequence[Endpoint] = ()
    ) -> None:
        self._store, self._jobs, self._events, self._rules, self._more = store, jobs, events, rules, more
        own = [p for p in (_HERE / "pages").iterdir() if p.suffix in _TYPES]
        self._pages = {p.name: p for p in [*own, _HERE.parent / "export" / "viewer" / "viewer.js"]}

    def endpoints(self) -> list[Endpoint]:
        """What is served, in the order in which it is looked for."""
        job, revision = "/api/jobs/{job}", "/api/jobs/{job}/{number}"
        part = f"{revision}/{{part}}"
        get, post = partial(Endpoint, "GET"), partial(Endpoint, "POST")
        take = partial(post, body=FILE, sent=BYTES, status=201)
        return [
            get("/", self.index, TEXT, kind="text/html"),
            get("/pages/{name}", self.page, TEXT, kind="text/*"),
            get("/openapi.json", self.description, {"type": "object"}),
            get("/api", self.reference, TEXT, kind="text/html"),
            get("/api/session", self.session, ref("schemas", "Session")),
            get("/api/events", self.events, ref("schemas", "Event"), kind="text/event-stream"),
            get("/api/jobs", self.list_jobs, ref("schemas", "Jobs"), query=SEARCH),
            take("/api/jobs", self.take_in, _JOB, refusals=(404, 422), query={**NAME, **LIKE, **ORDERED}),
            get(
                "/api/compare",
                self.compare,
                ref("schemas", "Differences"),
                query=SIDES,
                needed=tuple(SIDES),
                refusals=(404, 422),
            ),
            get(job, self.show_job, _JOB),
            Endpoint("DELETE", job, self.remove, status=204),
            post(
                f"{job}/revisions",
                self.revise,
                _REVISION,
                status=201,
                body=ref("schemas", "Revising"),
                refusals=(409, 422),
            ),
            take(f"{job}/blanks", self.take_blank, ref("schemas", "Blank"), query=NAME),
            get(f"{job}/view/preview", self.preview, _BODY, query=DRAWING),
            get(f"{job}/view/{{part}}", self.view, _BODY, query=DRAWING),
            get(revision, self.show_revision, ref("schemas", "Result")),
            post(f"{revision}/again", self.again, _REVISION, refusals=(409,)),
            post(f"{revision}/stop", self.stop, status=204),
            get(f"{revision}/choices.toml", self.choices_file, TEXT, kind=PLAIN),
            get(f"{revision}/all.zip", self.archive, FILE, kind="application/zip", refusals=(409,)),
            get(f"{part}/stage/{{stage}}", self.stage, _BODY),
            get(f"{part}/fixtures/{{setup}}", self.fixtures, _BODY),
            get(f"{part}/file/{{file}}", self.file, FILE, kind="*/*", query=SHOW),
            *self._more,
        ]

    async def index(self, _: Request) -> Response:
        """The page."""
        return _static(self._pages["index.html"])

    async def description(self, _: Request) -> Response:
        """This description."""
        return JSONResponse(self._described())

    async def reference(self, _: Request) -> Response:
        """This description for people."""
        return HTMLResponse(reference_page(self._described()))

    async def page(self, request: Request) -> Response:
        """A script or style of the page."""
        path = self._pages.get(request.path_params["name"])
        if path is None:
            raise HTTPException(404, "there is no such page.")
        return _static(path)

    async def session(self, request: Request) -> Response:
        """What the page needs to know before it asks for anything."""
        return JSONResponse(
            {
                "key": self._rules.key,
                "version": version("dieroute"),
                "who": who(request),
                "limit_bytes": self._rules.body_limit,
                "signs": {name: asdict(sign) for name, sign in signs().items()},
                "processes": process_names(),
                "kinds": CALLED,
                "breaks": BREAKS,
                "blanks": BLANKS,
            }
        )

    async def events(self, _: Request) -> Response:
        """What happens to jobs, as it happens: server-sent events without end."""
        return StreamingResponse(self._events.stream(), media_type="text/event-stream", headers=_AT_ONCE)

    async def list_jobs(self, request: Request) -> Response:
        """Jobs, the latest first."""
        found = self._store.find(request.query_params.get("q", "")[:200])
        return JSONResponse({"jobs": [job.as_dict() for job in found]})

    async def take_in(self, request: Request) -> Response:
        """A STEP file handed in: a new job, which is begun at once."""
        choices: Mapping[str, Any] = {}
        older = None
        if like := request.query_params.get("like"):
            older, revision, _ = self._named(like)
            choices = revision.choices
        async with uploaded(self._store, request) as (upload, name, digest):
            ordered = read_order(request.query_params)
            if material := request.query_params.get("material"):
                choices = as_table(from_table({**choices, "material": material}))
            job = self._store.add(upload, name, digest, choices, who=who(request))
        if ordered:
            self._store.stand(job.id, **ordered)
        self._store.log(who(request), "handed in", job, 1)
        if older is not None and is_blank_file(choices.get("blank")):
            self._store.take_blank(job.id, choices["blank"], older)
        self._jobs.submit(job.id, 1)
        return JSONResponse(self._store.job(job.id).as_dict(), 201)

    async def take_blank(self, request: Request) -> Response:
        """The STEP file of a blank, kept beside the job's model for choices to name."""
        self._job(request)
        async with uploaded(self._store, request) as (upload, name, digest):
            file = self._store.add_blank(self._job(request).id, upload, name, digest)
        return JSONResponse({"file": file, "name": name}, 201)

    async def show_job(self, request: Request) -> Response:
        """A job with its revisions."""
        return JSONResponse(self._job(request).as_dict())

    async def remove(self, request: Request) -> Response:
        """Removes a job with all its revisions and files."""
        job = self._job(request)
        self._store.log(who(request), "removed", job)
        await run_in_threadpool(self._jobs.remove, job.id)
        return Response(status_code=204)

    async def revise(self, request: Request) -> Response:
        """A new revision: with other choices, a choices file's toml, or answers for a feature.

        "shown" is the finished revision that names the feature, where "from" is still being worked out.
        With "latest", the last revision that the sender knows of, a later one that someone else made
        meanwhile is told instead (409), lest the two go different ways without knowing.
        """
        asked = await json_table(
            request
        )  # before the job is looked up: it may be removed while this comes in
        job = self._job(request)
        if set(asked) - {"shown", "ask", "latest"} not in _REVISING:
            raise HTTPException(
                400, "write from, and choices or toml or part, feature and answers or part and decisions."
            )
        base = self._revision(job, asked["from"])
        if "decisions" in asked:
            shown = self._revision(job, asked.get("shown", base.number))
            place_of = partial(self._place, job, shown, asked["part"])
            table = decided(base.choices, asked["decisions"], place_of)
        elif "answers" in asked:
            shown = self._revision(job, asked.get("shown", base.number))
            place = self._place(job, shown, asked["part"], asked["feature"])
            table = answered(base.choices, place, as_mapping(asked["answers"]))
        elif "toml" in asked:
            try:
                table = as_table(from_table(parsed_text(str(asked["toml"]), "the choices file")))
            except TomlError as error:
                raise ChoicesError(str(error)) from error
        else:
            table = as_table(from_table(asked["choices"]))
        if is_blank_file(table.get("blank")) and table["blank"] not in {b["file"] for b in job.blanks}:
            raise ChoicesError("blank: this job has no such file: hand it in beside the model first.")
        latest = asked.get("latest")
        try:
            revision = self._jobs.revise(
                job.id,
                table,
                base=base.number,
                sure=not asked.get("ask"),
                latest=latest if type(latest) is int else None,
                who=who(request),
            )
        except ForkError as error:
            by = error.revision.who or "someone"
            raise HTTPException(
                409,
                f"{by} answered meanwhile and made r{error.revision.number}: go on from there, or send it "
                "again without latest.",
                {"x-dieroute-meanwhile": str(error.revision.number)},
            ) from None
        self._store.log(who(request), "decided", job, revision.number, base.choices, table)
        return JSONResponse(asdict(revision), 201)

    async def preview(self, request: Request) -> Response:
        """What the file draws, before it is read with care."""
        path = self._view(request) / PREVIEW
        if not path.is_file():
            raise HTTPException(404, "there is nothing to be seen yet.")
        return FileResponse(path, media_type="application/json")

    async def view(self, request: Request) -> Response:
        """The mesh of a part, there as soon as the file is read."""
        path = self._view(request) / f"{request.path_params['part']:d}.json"
        if not path.is_file():
            raise HTTPException(404, "the part is not read yet.")
        return FileResponse(path, media_type="application/json")

    def _view(self, request: Request) -> Path:
        job = self._job(request)
        known = {str(d["number"]): d["number"] for d in job.drawings}
        number = known.get(request.query_params.get("drawing", max(known, key=int)))
        if number is None:
            raise HTTPException(404, "there is no such drawing.")
        return self._store.view(job.id, number)

    async def show_revision(self, request: Request) -> Response:
        """The route file of every part, and the names of the files made; while it runs, what is planned."""
        job, revision = self._asked(request)
        parts = [p | {"files": []} for p in self._jobs.plans.get((job.id, revision.number), ())]
        if revision.state is State.DONE:
            parts = []
            for part in revision.summary["parts"]:
                folder = self._store.result(job.id, revision.number) / part["folder"]
                route = json.loads((folder / "route.json").read_text(encoding="utf-8"))
                made = [{"name": n, "bytes": p.stat().st_size} for n, p in sorted(files(folder).items())]
                parts.append(
                    {"folder": part["folder"], "count": part["count"], "route": route, "files": made}
                )
        return JSONResponse({"revision": asdict(revision), "parts": parts})

    async def again(self, request: Request) -> Response:
        """Runs a revision that failed or was interrupted once more."""
        job, revision = self._asked(request)
        if revision.state not in (State.FAILED, State.INTERRUPTED):
            raise HTTPException(409, "only what failed or was interrupted is run again.")
        self._store.log(who(request), "again", job, revision.number)
        return JSONResponse(asdict(self._jobs.again(job.id, revision.number)))

    async def stop(self, request: Request) -> Response:
        """Takes a revision out of the queue, or ends its work."""
        job, revision = self._asked(request)
        self._store.log(who(request), "stopped", job, revision.number)
        await run_in_threadpool(self._jobs.stop, job.id, revision.number)
        return Response(status_code=204)

    async def choices_file(self, request: Request) -> Response:
        """A revision's choices, as the command line takes them."""
        job, revision = self._asked(request)
        return PlainTextResponse(as_toml(revision.choices), headers=_saved_as(f"{stem(job)}.choices.toml"))

    async def archive(self, request: Request) -> Response:
        """The customer's file, the choices and everything that was made of them."""
        job, revision = self._asked(request)
        if revision.state is not State.DONE:
            raise HTTPException(409, "this revision has no result yet.")
        path = await run_in_threadpool(pack, self._store, job, revision)
        headers = _saved_as(f"{stem(job)}-r{revision.number}.zip")
        clear = BackgroundTask(path.unlink, missing_ok=True)
        return FileResponse(path, media_type="application/zip", headers=headers, background=clear)

    async def stage(self, request: Request) -> Response:
        """The stock after one of the stages, for the viewer."""
        job, revision = self._asked(request)
        folder = self._folder(job, revision, request.path_params["part"])
        route = json.loads((folder / "route.json").read_text(encoding="utf-8"))
        stages = route["stock"].get("stages", [])
        number = request.path_params["stage"]
        path = (
            files(folder).get(str(Path(stages[number]["file"]).with_suffix(".stl")))
            if number < len(stages)
            else None
        )
        if path is None:
            raise HTTPException(404, "there is no such stage.")
        return JSONResponse(await run_in_threadpool(body_of_stl, path))

    async def fixtures(self, request: Request) -> Response:
        """What holds the part in a setup, for the viewer."""
        job, revision = self._asked(request)
        part, setup = request.path_params["part"], request.path_params["setup"]
        self._folder(job, revision, part)
        path = self._store.result(job.id, revision.number) / FIXTURES
        held = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else []
        found = held[part].get(str(setup)) if part < len(held) else None
        if found is None:
            raise HTTPException(404, "nothing that could be drawn holds this setup.")
        return JSONResponse(found)

    async def file(self, request: Request) -> Response:
        """One of the files made."""
        job, revision = self._asked(request)
        name = request.path_params["file"]
        path = files(self._folder(job, revision, request.path_params["part"])).get(name)
        if path is None:
            raise HTTPException(404, "there is no such file.")
        kind = _FILE_TYPES.get(path.suffix, "application/octet-stream")
        if "show" in request.query_params and path.suffix in (".html", ".pdf", ".svg"):
            alone = {} if path.suffix == ".pdf" else {"content-security-policy": _ALONE}
            return FileResponse(path, media_type=kind, headers=alone)
        return FileResponse(path, media_type=kind, headers=_saved_as(path.name))

    async def compare(self, request: Request) -> Response:
        """What changed from one revision, or one file, to another."""
        sides = []
        for which in SIDES:
            job, revision, part = self._named(request.query_params.get(which, ""))
            if part >= len(job.drawing(revision.drawing)["parts"]):
                raise HTTPException(404, "there is no such part.")
            sides.append(self._jobs.source(job, revision, part))
        answer = self._jobs.ask("differences", *sides, self._jobs.shop, job=job.id)
        return JSONResponse(await asyncio.wrap_future(answer))

    def _described(self) -> dict[str, Any]:
        return described(self.endpoints(), version("dieroute"))

    def _job(self, request: Request) -> Job:
        try:
            return self._store.job(request.path_params["job"])
        except KeyError:
            raise HTTPException(404, "there is no such job.") from None

    def _revision(self, job: Job, number: object) -> JobRevision:
        found = next((r for r in job.revisions if r.number == number and number is not True), None)
        if found is None:
            raise HTTPException(404, "there is no such revision.")
        return found

    def _asked(self, request: Request) -> tuple[Job, JobRevision]:
        job = self._job(request)
        return job, self._revision(job, request.path_params["number"])

    def _named(self, text: str) -> tuple[Job, JobRevision, int]:
        """job.revision or job.revision.part"""
        match = re.fullmatch(r"([0-9a-f]{12})\.(\d{1,6})(?:\.(\d{1,6}))?", text)
        try:
            if match is None:
                raise KeyError(text)
            job = self._store.job(match[1])
        except KeyError:
            raise HTTPException(404, "there is no such job.") from None
        return job, self._revision(job, int(match[2])), int(match[3] or 0)

    def _folder(self, job: Job, revision: JobRevision, part: int) -> Path:
        parts = revision.summary.get("parts", [])
        if revision.state is not State.DONE or part >= len(parts):
            raise HTTPException(404, "there is no such result.")
        return self._store.result(job.id, revision.number) / str(parts[part]["folder"])

    def _place(self, job: Job, revision: JobRevision, part: object, feature: object) -> Mapping[str, Any]:
        if revision.state is not State.DONE:
            raise HTTPException(409, "answers for features need a finished revision.")
        places = json.loads(
            (self._store.result(job.id, revision.number) / PLACES).read_text(encoding="utf-8")
        )
        known = places[part] if type(part) is int and 0 <= part < len(places) else []
        found: Mapping[str, Any] | None = next((p for p in known if p["id"] == feature), None)
        if found is None:
            raise HTTPException(404, "there is no such feature.")
        return found


def _static(path: Path) -> Response:
    return FileResponse(path, media_type=_TYPES[path.suffix], headers={"cache-control": "no-cache"})


def _saved_as(name: str) -> dict[str, str]:
    return {"content-disposition": f"attachment; filename*=UTF-8''{quote(name)}"}

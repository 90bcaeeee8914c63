"""The page's requests. Everything that a visitor names is looked up, nothing is made into a path."""

from __future__ import annotations

import asyncio
import hashlib
import json
import re
import secrets
import sqlite3
import tomllib
import unicodedata
import zipfile
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from routing.inputs.choices import BLANKS, BREAKS, CALLED, ChoicesError
from routing.jobs.errors import MENDABLE, one_line
from routing.processes.rooms import process_names, signs
from routing.web.answers import answered, as_table, as_toml, from_table
from routing.web.bodies import body_of_stl
from routing.web.deciding import Deciding, decided
from routing.web.guard import Guard, Rules
from routing.web.handing import Handing
from routing.web.jobs import JobQueue
from routing.web.listing import Listing
from routing.web.store import (
    DISK_FULL,
    MODEL,
    PLACES,
    PREVIEW,
    Job,
    JobRevision,
    State,
    Store,
    is_blank_file,
    is_full,
)

_HERE = Path(__file__).parent
_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
_FILE_TYPES = _TYPES | {".json": "application/json", ".pdf": "application/pdf", ".csv": "text/csv"}
# A document of ours that is shown in a tab of its own may draw, but is of no site and reaches nothing.
_ALONE = (
    "sandbox allow-scripts; default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; font-src data:"
)
_HEARTBEAT_S = 15.0
_NAME_LENGTH = 120
_ZIP_TIME = (1980, 1, 1, 0, 0, 0)  # the same files give the same archive


class Events:
    """Whoever listens gets every message."""

    def __init__(self) -> None:
        self._queues: set[asyncio.Queue[str]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None

    def send(self, message: Mapping[str, Any]) -> None:
        """From any thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._spread, json.dumps(message))

    def _spread(self, text: str) -> None:
        for waiting in self._queues:
            waiting.put_nowait(text)

    async def stream(self) -> AsyncIterator[str]:
        self._loop = asyncio.get_running_loop()
        queue: asyncio.Queue[str] = asyncio.Queue()
        self._queues.add(queue)
        try:
            yield "retry: 1000\n\n: hello\n\n"
            while True:
                try:
                    yield f"data: {await asyncio.wait_for(queue.get(), _HEARTBEAT_S)}\n\n"
                except TimeoutError:
                    yield ": still here\n\n"
        finally:
            self._queues.discard(queue)


class Page:
    """The handlers, over one job queue."""

    def __init__(self, store: Store, jobs: JobQueue, events: Events, rules: Rules) -> None:
        self._store, self._jobs, self._events, self._rules = store, jobs, events, rules
        own = [p for p in (_HERE / "pages").iterdir() if p.suffix in _TYPES]
        self._pages = {p.name: p for p in [*own, _HERE.parent / "export" / "viewer" / "viewer.js"]}

    def routes(self) -> list[Route]:
        job, revision = "/api/jobs/{job}", "/api/jobs/{job}/{number:int}"
        part = f"{revision}/{{part:int}}"
        return [
            Route("/", self.index),
            Route("/pages/{name}", self.page),
            Route("/api/session", self.session),
            Route("/api/events", self.events),
            Route("/api/jobs", self.list_jobs, methods=["GET"]),
            Route("/api/jobs", self.take_in, methods=["POST"]),
            Route("/api/compare", self.compare),
            Route(job, self.show_job, methods=["GET"]),
            Route(job, self.remove, methods=["DELETE"]),
            Route(f"{job}/revisions", self.revise, methods=["POST"]),
            Route(f"{job}/blanks", self.take_blank, methods=["POST"]),
            Route(f"{job}/view/preview", self.preview),
            Route(f"{job}/view/{{part:int}}", self.view),
            Route(revision, self.show_revision, methods=["GET"]),
            Route(f"{revision}/again", self.again, methods=["POST"]),
            Route(f"{revision}/stop", self.stop, methods=["POST"]),
            Route(f"{revision}/choices.toml", self.choices_file),
            Route(f"{revision}/all.zip", self.archive),
            Route(f"{part}/stage/{{stage:int}}", self.stage),
            Route(f"{part}/file/{{name:path}}", self.file),
        ]

    async def index(self, _: Request) -> Response:
        return _static(self._pages["index.html"])

    async def page(self, request: Request) -> Response:
        path = self._pages.get(request.path_params["name"])
        if path is None:
            raise HTTPException(404, "there is no such page.")
        return _static(path)

    async def session(self, _: Request) -> Response:
        """What the page needs to know before it asks for anything."""
        return JSONResponse(
            {
                "key": self._rules.key,
                "version": version("dieroute"),
                "limit_bytes": self._rules.body_limit,
                "signs": {name: asdict(sign) for name, sign in signs().items()},
                "processes": process_names(),
                "kinds": CALLED,
                "breaks": BREAKS,
                "blanks": BLANKS,
            }
        )

    async def events(self, _: Request) -> Response:
        return StreamingResponse(self._events.stream(), media_type="text/event-stream")

    async def list_jobs(self, request: Request) -> Response:
        found = self._store.find(request.query_params.get("q", "")[:200])
        return JSONResponse({"jobs": [job.as_dict() for job in found]})

    async def take_in(self, request: Request) -> Response:
        """The body is the file; ``like`` names a revision whose choices are taken over."""
        choices: Mapping[str, Any] = {}
        older = None
        if like := request.query_params.get("like"):
            older, revision, _ = self._named(like)
            choices = revision.choices
        async with self._uploaded(request) as (upload, name, digest):
            job = self._store.add(upload, name, digest, choices)
        if older is not None and is_blank_file(choices.get("blank")):
            self._store.take_blank(job.id, choices["blank"], older)
        self._jobs.submit(job.id, 1)
        return JSONResponse(self._store.job(job.id).as_dict(), 201)

    async def take_blank(self, request: Request) -> Response:
        """The body is the STEP file of a blank, kept beside the job's model for choices to name."""
        self._job(request)
        async with self._uploaded(request) as (upload, name, digest):
            file = self._store.add_blank(self._job(request).id, upload, name, digest)
        return JSONResponse({"file": file, "name": name}, 201)

    @asynccontextmanager
    async def _uploaded(self, request: Request) -> AsyncIterator[tuple[Path, str, str]]:
        """The body of a request as a file, its name for showing and its SHA-256."""
        upload = self._store.incoming / secrets.token_hex(8)
        digest = hashlib.sha256()
        chunks = request.stream()
        try:
            with upload.open("wb") as file:
                async for chunk in chunks:
                    digest.update(chunk)
                    file.write(chunk)
            yield upload, shown_name(request.query_params.get("name", "")), digest.hexdigest()
        except OSError:
            async for _ in chunks:
                pass  # a browser that is still sending would not hear the answer
            raise
        finally:
            upload.unlink(missing_ok=True)

    async def show_job(self, request: Request) -> Response:
        return JSONResponse(self._job(request).as_dict())

    async def remove(self, request: Request) -> Response:
        await run_in_threadpool(self._jobs.remove, self._job(request).id)
        return Response(status_code=204)

    async def revise(self, request: Request) -> Response:
        """A new revision: with other ``choices``, a choices file's ``toml``, or ``answers`` for a feature.

        ``shown`` is the finished revision that names the feature, where ``from`` is still being worked out.
        """
        job = self._job(request)
        asked = await _json(request)
        base = self._revision(job, asked.get("from"))
        if "decisions" in asked:
            shown = self._revision(job, asked.get("shown", base.number))
            table = decided(
                base.choices,
                asked["decisions"],
                lambda feature: self._place(job, shown, asked.get("part"), feature),
            )
        elif "answers" in asked:
            shown = self._revision(job, asked.get("shown", base.number))
            place = self._place(job, shown, asked.get("part"), asked.get("feature"))
            table = answered(base.choices, place, _table(asked["answers"]))
        elif "toml" in asked:
            try:
                table = as_table(from_table(tomllib.loads(str(asked["toml"]))))
            except tomllib.TOMLDecodeError as error:
                raise ChoicesError(
                    f"the choices file is not TOML ({' '.join(str(error).split())})."
                ) from error
        else:
            table = as_table(from_table(asked.get("choices", {})))
        if is_blank_file(table.get("blank")) and table["blank"] not in {b["file"] for b in job.blanks}:
            raise ChoicesError("blank: this job has no such file: hand it in beside the model first.")
        revision = self._jobs.revise(job.id, table, base=base.number, sure=not asked.get("ask"))
        return JSONResponse(asdict(revision), 201)

    async def preview(self, request: Request) -> Response:
        """What the file draws, before it is read with care."""
        path = self._store.place(self._job(request).id) / "view" / PREVIEW
        if not path.is_file():
            raise HTTPException(404, "there is nothing to be seen yet.")
        return FileResponse(path, media_type="application/json")

    async def view(self, request: Request) -> Response:
        """The mesh of a part, there as soon as the file is read."""
        job, part = self._job(request), request.path_params["part"]
        path = self._store.place(job.id) / "view" / f"{part:d}.json"
        if part >= len(job.parts) or not path.is_file():
            raise HTTPException(404, "the part is not read yet.")
        return FileResponse(path, media_type="application/json")

    async def show_revision(self, request: Request) -> Response:
        """The route file of every part, and the names of the files made; while it runs, what is planned."""
        job, revision = self._asked(request)
        parts = [p | {"files": []} for p in self._jobs.plans.get((job.id, revision.number), ())]
        if revision.state is State.DONE:
            parts = []
            for part in revision.summary["parts"]:
                folder = self._store.result(job.id, revision.number) / part["folder"]
                route = json.loads((folder / "route.json").read_text(encoding="utf-8"))
                files = [{"name": n, "bytes": p.stat().st_size} for n, p in sorted(_files(folder).items())]
                parts.append(
                    {"folder": part["folder"], "count": part["count"], "route": route, "files": files}
                )
        return JSONResponse({"revision": asdict(revision), "parts": parts})

    async def again(self, request: Request) -> Response:
        job, revision = self._asked(request)
        if revision.state not in (State.FAILED, State.INTERRUPTED):
            raise HTTPException(409, "only what failed or was interrupted is run again.")
        return JSONResponse(asdict(self._jobs.again(job.id, revision.number)))

    async def stop(self, request: Request) -> Response:
        job, revision = self._asked(request)
        await run_in_threadpool(self._jobs.stop, job.id, revision.number)
        return Response(status_code=204)

    async def choices_file(self, request: Request) -> Response:
        job, revision = self._asked(request)
        return PlainTextResponse(as_toml(revision.choices), headers=_saved_as(f"{_stem(job)}.choices.toml"))

    async def archive(self, request: Request) -> Response:
        """The customer's file, the choices and everything that was made of them."""
        job, revision = self._asked(request)
        if revision.state is not State.DONE:
            raise HTTPException(409, "this revision has no result yet.")
        stem = _stem(job)
        path = await run_in_threadpool(self._packed, job, revision, stem)
        headers = _saved_as(f"{stem}-r{revision.number}.zip")
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
            _files(folder).get(str(Path(stages[number]["file"]).with_suffix(".stl")))
            if number < len(stages)
            else None
        )
        if path is None:
            raise HTTPException(404, "there is no such stage.")
        return JSONResponse(await run_in_threadpool(body_of_stl, path))

    async def file(self, request: Request) -> Response:
        """One of the files made; ``show`` for a tab of its own instead of a download."""
        job, revision = self._asked(request)
        name = request.path_params["name"]
        path = _files(self._folder(job, revision, request.path_params["part"])).get(name)
        if path is None:
            raise HTTPException(404, "there is no such file.")
        kind = _FILE_TYPES.get(path.suffix, "application/octet-stream")
        if "show" in request.query_params and path.suffix in (".html", ".pdf", ".svg"):
            alone = {} if path.suffix == ".pdf" else {"content-security-policy": _ALONE}
            return FileResponse(path, media_type=kind, headers=alone)
        return FileResponse(path, media_type=kind, headers=_saved_as(path.name))

    async def compare(self, request: Request) -> Response:
        """What changed from ``old`` to ``new``, each written as job.revision.part."""
        sides = []
        for which in ("old", "new"):
            job, revision, part = self._named(request.query_params.get(which, ""))
            if part >= len(job.parts):
                raise HTTPException(404, "there is no such part.")
            sides.append(self._jobs.source(job, revision, part))
        answer = self._jobs.ask("differences", *sides, self._jobs.shop)
        return JSONResponse(await asyncio.wrap_future(answer))

    def _packed(self, job: Job, revision: JobRevision, stem: str) -> Path:
        target = self._store.incoming / f"{secrets.token_hex(8)}.zip"
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:

            def add(name: str, content: bytes) -> None:
                entry = zipfile.ZipInfo(f"{stem}-r{revision.number}/{name}", _ZIP_TIME)
                packed.writestr(entry, content, zipfile.ZIP_DEFLATED)

            add(f"{stem}.step", (self._store.place(job.id) / MODEL).read_bytes())
            add(f"{stem}.choices.toml", as_toml(revision.choices).encode())
            own = str(revision.choices.get("blank", ""))
            if is_blank_file(own):
                add(own, (self._store.place(job.id) / own).read_bytes())
            result = self._store.result(job.id, revision.number)
            for path in sorted(result.rglob("*")):
                if path.is_file() and path.name != PLACES:
                    add(path.relative_to(result).as_posix(), path.read_bytes())
        return target

    def _job(self, request: Request) -> Job:
        try:
            return self._store.job(request.path_params["job"])
        except KeyError:
            raise HTTPException(404, "there is no such job.") from None

    def _revision(self, job: Job, number: object) -> JobRevision:
        found = next((r for r in job.revisions if r.number == number), None)
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
        known = places[part] if isinstance(part, int) and 0 <= part < len(places) else []
        found: Mapping[str, Any] | None = next((p for p in known if p["id"] == feature), None)
        if found is None:
            raise HTTPException(404, "there is no such feature.")
        return found


class App(Guard):
    """The guarded application; ``jobs`` is open to tests."""

    def __init__(self, app: ASGIApp, rules: Rules, jobs: JobQueue) -> None:
        super().__init__(app, rules)
        self.jobs = jobs


def make_app(store: Store, rules: Rules, *, shop: Path | None = None, time_limit_s: float = 600.0) -> App:
    """The whole application, guarded; it ends its worker and closes the store when it is shut down."""
    events = Events()
    jobs = JobQueue(store, events.send, shop=shop, time_limit_s=time_limit_s)

    @asynccontextmanager
    async def life(_: Starlette) -> AsyncIterator[None]:
        yield
        await run_in_threadpool(jobs.close)
        store.close()

    async def refused(_: Request, error: Exception) -> Response:
        if isinstance(error, HTTPException):
            return _told(error.status_code, error.detail)
        return _told(422 if isinstance(error, MENDABLE) else 500, one_line(error))

    async def failed(_: Request, error: Exception) -> Response:
        if not is_full(error):
            raise error
        return _told(507, DISK_FULL)

    app = Starlette(
        routes=[
            *Page(store, jobs, events, rules).routes(),
            *Deciding(store, jobs).routes(),
            *Handing(store, jobs).routes(),
            *Listing(store).routes(),
        ],
        lifespan=life,
        exception_handlers={
            **dict.fromkeys((HTTPException, *MENDABLE, Exception), refused),
            **dict.fromkeys((OSError, sqlite3.Error), failed),
        },
    )
    return App(app, rules, jobs)


def _told(status: int, text: str) -> Response:
    return PlainTextResponse(f"dieroute: {text}\n", status)


def shown_name(given: str) -> str:
    """What a file is called on the page: its last component, without signs that do not print."""
    last = re.split(r"[/\\]", given)[-1]
    plain = "".join(c for c in last if c.isprintable() and unicodedata.category(c) != "Cf")
    return " ".join(plain.split())[:_NAME_LENGTH] or MODEL


def _stem(job: Job) -> str:
    """A safe name for what is saved: letters, digits, dashes."""
    stem = re.sub(r"\.(step|stp|p21)$", "", job.name, flags=re.IGNORECASE)
    return re.sub(r"[^A-Za-z0-9_-]+", "_", stem).strip("_-")[:60] or "part"


def _files(folder: Path) -> dict[str, Path]:
    """What was made, by its place in the folder."""
    made = (p for p in folder.rglob("*") if p.is_file() and p.name != PLACES)
    return {p.relative_to(folder).as_posix(): p for p in made}


def _static(path: Path) -> Response:
    return FileResponse(path, media_type=_TYPES[path.suffix], headers={"cache-control": "no-cache"})


def _saved_as(name: str) -> dict[str, str]:
    return {"content-disposition": f"attachment; filename*=UTF-8''{quote(name)}"}


async def _json(request: Request) -> dict[str, Any]:
    try:
        return _table(await request.json())
    except (json.JSONDecodeError, UnicodeDecodeError, RecursionError):
        raise HTTPException(400, "the request is not JSON.") from None


def _table(value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise HTTPException(400, "the request is not a table.")
    return value

"""What steps took: entered on the page, as a table, by a traveller's code; and the rates that come of it."""

from __future__ import annotations

import hashlib
from dataclasses import asdict
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from routing.inputs.shop import load_shop
from routing.inputs.shop.adopt import adopt
from routing.plan.estimate.fit import Fitted, fit
from routing.processes.shop import OwnFactors
from routing.web.asked import json_table
from routing.web.interface import Endpoint
from routing.web.jobs import JobQueue
from routing.web.kept import Route, route_of, step_of_code
from routing.web.people import who
from routing.web.records import Job, JobRevision
from routing.web.schemas import COUNT, FILE, OF_JOB, SCANNED, TEXT, ref, table
from routing.web.store import Store
from routing.web.taken import LEAST_MIN, MOST_MIN, MOST_PIECES, Entry, TakenError, minutes_of
from routing.web.taken_csv import as_table, enter_table, log_change, sheet_of


class Taking:
    """The handlers, over one store and its queue."""

    def __init__(self, store: Store, jobs: JobQueue) -> None:
        self._store, self._jobs = store, jobs

    def endpoints(self) -> list[Endpoint]:
        get, post = partial(Endpoint, "GET"), partial(Endpoint, "POST")
        sheet, of_part = ref("schemas", "TakenSheet"), "/api/jobs/{job}/{number}/{part}/taken"
        minutes = {"type": ["number", "null"], "minimum": LEAST_MIN, "maximum": MOST_MIN}
        pieces = {"type": "integer", "minimum": 1, "maximum": MOST_PIECES}
        entry = table(("pieces", "batch"), step=COUNT, minutes=minutes, pieces=pieces, batch=TEXT)
        return [
            get(of_part, self.sheet, sheet),
            post(of_part, self.enter, sheet, body=entry, refusals=(422,)),
            get("/api/taken.csv", self.as_table, TEXT, kind="text/csv", query=OF_JOB, refusals=(404,)),
            post("/api/taken", self.enter_table, ref("schemas", "TakenKept"), body=FILE, sent="text/csv",
                 refusals=(422,)),
            get("/api/took", self.scanned, ref("schemas", "Scanned"), query=SCANNED, needed=("code",),
                refusals=(404,)),
            get("/api/rates", self.rates, ref("schemas", "Rates"), refusals=(422,)),
            post("/api/rates", self.take_over, ref("schemas", "Rates"), body=table(mark=TEXT),
                 refusals=(409, 422)),
        ]  # fmt: skip

    async def sheet(self, request: Request) -> Response:
        """The steps of a part with what they are estimated to take, and what was entered."""
        return JSONResponse(self._sheet(*self._asked(request)))

    async def enter(self, request: Request) -> Response:
        """The minutes that a step took, for all pieces of a batch; null takes back what was entered.

        "pieces" are those ordered where it is left out. The same step of the same batch entered again
        takes the place of what was there.
        """
        told = await json_table(request)
        job, revision, part, route = self._asked(request)
        if not {"step", "minutes"} <= set(told) <= {"step", "minutes", "pieces", "batch"}:
            raise HTTPException(400, "write step and minutes, perhaps pieces and batch.")
        step, minutes, batch = told["step"], told["minutes"], told.get("batch", "")
        pieces = told.get("pieces", self._pieces(job, revision, part))
        number = isinstance(minutes, int | float) and not isinstance(minutes, bool)
        if not (number or minutes is None) or type(step) is not int or type(pieces) is not int:
            raise HTTPException(400, "step and pieces are whole numbers, minutes a number or null.")
        if not isinstance(batch, str):
            raise HTTPException(400, "batch is a text.")
        try:
            taken_min = None if minutes is None else float(minutes)
            entry = Entry(job.id, revision.number, part, step, taken_min, pieces, batch)
            if taken_min is None:
                log_change(self._store, job, self._store.taken.take_back(entry.key), None, who(request))
            else:
                now = minutes_of(entry, job.name, route, who(request))
                (before,) = self._store.taken.put([now])
                log_change(self._store, job, before, now, who(request))
        except (TakenError, OverflowError) as error:
            raise HTTPException(422, f"{error}") from None
        return JSONResponse(self._sheet(job, revision, part, route))

    async def as_table(self, request: Request) -> Response:
        """All minutes that were entered, as CSV; of a job its steps with room to fill them in."""
        if wanted := request.query_params.get("job"):
            try:
                text = sheet_of(self._store, self._store.job(wanted[:40]))
            except KeyError:
                raise HTTPException(404, "there is no such job.") from None
        else:
            text = as_table(self._store.taken.all())
        saved = {"content-disposition": 'attachment; filename="minutes.csv"'}
        return Response(text, media_type="text/csv; charset=utf-8", headers=saved)

    async def enter_table(self, request: Request) -> Response:
        """A CSV of minutes: good rows are kept, each bad one is told with its line and cure.

        The first line names the columns: minutes, with job (its id or its file's name) and step, or with
        code, the text of a traveller's code; perhaps revision, part, pieces and batch. Sent again with the
        bad rows mended, nothing counts twice.
        """
        data = await request.body()
        kept = await run_in_threadpool(enter_table, self._store, data, who(request))
        return JSONResponse(asdict(kept))

    async def scanned(self, request: Request) -> Response:
        """The step that the code of a traveller names."""
        try:
            found = step_of_code(self._store, request.query_params.get("code", "")[:300])
        except KeyError:
            raise HTTPException(
                404, "no plan here has this code: scan it again, or look the job up."
            ) from None
        return JSONResponse(
            {"job": found.job.id, "number": found.revision.number, "part": found.part, "step": found.step}
        )

    async def rates(self, _: Request) -> Response:
        """What the shop's own minutes are to those estimated, with spread and number of cases."""
        return JSONResponse(self._told(*await run_in_threadpool(self._fitted)))

    async def take_over(self, request: Request) -> Response:
        """Writes the factors of this mark into the shop file: estimates made from now on have them."""
        mark = (await json_table(request)).get("mark")
        if not isinstance(mark, str):
            raise HTTPException(400, "write the mark of the rates that are meant.")
        if self._jobs.shop is None:
            raise HTTPException(
                409,
                "this server has no shop file: serve it with --shop FILE, from `dieroute shop new FILE`.",
            )
        fitted, before = await run_in_threadpool(self._fitted)
        if not fitted.cases or mark != mark_of(fitted):
            raise HTTPException(409, "these are not the rates of now: look at them again.")
        await run_in_threadpool(take_over, Path(self._jobs.shop), fitted, who(request))
        self._store.log(who(request), "rates", None, None, asdict(before), asdict(fitted.factors))
        return JSONResponse(self._told(fitted, fitted.factors))

    def _fitted(self) -> tuple[Fitted, OwnFactors]:
        """What is learnt now, and what the shop file holds."""
        rates = load_shop(Path(self._jobs.shop) if self._jobs.shop else None).rates
        return fit([t.case() for t in self._store.taken.all()], rates), rates.factor

    def _told(self, fitted: Fitted, now: OwnFactors) -> dict[str, Any]:
        return {
            "mark": mark_of(fitted),
            "cases": fitted.cases,
            "jobs": fitted.jobs,
            "effects": [asdict(e) for e in fitted.effects],
            "scatter": [asdict(s) for s in fitted.scatter],
            "shop": Path(self._jobs.shop).name if self._jobs.shop else "",
            "taken_over": bool(fitted.cases) and _rounded(now) == _rounded(fitted.factors),
        }

    def _sheet(self, job: Job, revision: JobRevision, part: int, route: Route) -> dict[str, Any]:
        lines = [line for line in (route["estimate"] or {"lines": ()})["lines"] if line["operation"]]
        found = self._store.taken.of(job.id, revision.number, part)
        shown = ("step", "batch", "pieces", "taken_min", "quoted_min", "who", "at")
        return {
            "name": str(revision.summary["parts"][part]["name"]),
            "pieces": self._pieces(job, revision, part),
            "steps": [
                {
                    "step": line["operation"],
                    "stage": line["what"],
                    "process": line["process"],
                    "set_up_min": line["set_up_min"],
                    "each_min": line["run_min"] + line["idle_min"],
                }
                for line in lines
            ],
            "taken": [{name: getattr(t, name) for name in shown} for t in found],
        }

    def _pieces(self, job: Job, revision: JobRevision, part: int) -> int:
        return min(job.pieces * int(revision.summary["parts"][part]["count"]), MOST_PIECES)

    def _asked(self, request: Request) -> tuple[Job, JobRevision, int, Route]:
        asked = request.path_params
        try:
            job = self._store.job(asked["job"])
            revision = self._store.revision(job.id, asked["number"])
            return job, revision, asked["part"], route_of(self._store, revision, asked["part"])
        except KeyError:
            raise HTTPException(404, "there is no such result.") from None


def take_over(shop: Path, fitted: Fitted, who_: str) -> None:
    """Writes fitted factors into a shop file, with where they come from; raises ShopError."""
    by = f", taken over by {' '.join(who_.split())}" if who_ else ""
    day = datetime.now(UTC).date().isoformat()
    adopt(shop, fitted.factors, f"fitted from {fitted.cases} steps of {fitted.jobs} batches on {day}{by}")


def mark_of(fitted: Fitted) -> str:
    """What tells these factors from others."""
    return hashlib.sha256(_rounded(fitted.factors).encode()).hexdigest()[:12]


def _rounded(factors: Any) -> str:
    """As the shop file holds them."""

    def flat(value: Any) -> Any:
        if isinstance(value, dict):
            return sorted((key, flat(inner)) for key, inner in value.items())
        return f"{value:.3f}"

    return repr(flat(asdict(factors)))

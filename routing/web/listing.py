"""The list of jobs for who quotes: picture, material, hours, money, flags, state, note; as CSV too."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from routing.web.asked import json_table
from routing.web.interface import Endpoint
from routing.web.schemas import FILE, PICKED, TEXT, ref, table
from routing.web.store import PICTURE, STANDINGS, Listed, Store

_NOTE_LENGTH = 500
_COLUMNS = (
    "file", "part", "pieces", "material", "minutes", "money", "currency", "setups", "to settle",
    "blocking", "warnings", "notes", "state", "standing", "note", "handed in",
)  # fmt: skip
# A table's program would work out what begins so: it is told that this is text.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class Listing:
    """The handlers, over one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def endpoints(self) -> list[Endpoint]:
        job = "/api/jobs/{job}"
        standing = table(note=TEXT, standing={"enum": list(STANDINGS)})
        return [
            Endpoint("GET", "/api/list", self.listed, ref("schemas", "List")),
            Endpoint("GET", "/api/list.csv", self.as_table, TEXT, kind="text/csv", query=PICKED),
            Endpoint("POST", f"{job}/standing", self.stand, status=204, refusals=(422,), body=standing),
            Endpoint("GET", f"{job}/picture", self.picture, FILE, kind="image/png"),
        ]

    async def listed(self, _: Request) -> Response:
        """All jobs, each with what its last revision came to."""
        rows = [row_of(job) for job in self._store.listed()]
        return JSONResponse({"jobs": rows, "standings": STANDINGS})

    async def as_table(self, request: Request) -> Response:
        """All jobs, or some of them, as CSV."""
        wanted = set(filter(None, request.query_params.get("jobs", "").split(",")))
        rows = [row_of(job) for job in self._store.listed()]
        text = as_csv(r for r in rows if not wanted or r["id"] in wanted)
        saved = {"content-disposition": 'attachment; filename="jobs.csv"'}
        return Response(text, media_type="text/csv; charset=utf-8", headers=saved)

    async def stand(self, request: Request) -> Response:
        """What a person notes of a job, and where its quote stands."""
        told = await json_table(request)
        if set(told) != {"note", "standing"} or not isinstance(told["note"], str):
            raise HTTPException(400, "write note and standing.")
        note, standing = told["note"][:_NOTE_LENGTH], told["standing"]
        if standing not in STANDINGS:
            raise HTTPException(
                422, f"standing: write one of {', '.join(filter(None, STANDINGS))}, or nothing."
            )
        try:
            self._store.stand(request.path_params["job"], note, standing)
        except KeyError:
            raise HTTPException(404, "there is no such job.") from None
        return Response(status_code=204)

    async def picture(self, request: Request) -> Response:
        """What the part looks like."""
        try:
            path = self._store.place(request.path_params["job"]) / "view" / PICTURE
        except KeyError:
            raise HTTPException(404, "there is no such job.") from None
        if not path.is_file():
            raise HTTPException(404, "there is no picture yet.")
        return FileResponse(path, media_type="image/png", headers={"cache-control": "max-age=86400"})


def row_of(job: Listed) -> dict[str, Any]:
    """A job with what its last revision came to; hours and money of one of each part."""
    parts = job.summary.get("parts", ())
    flags = sum((Counter(p["flags"]) for p in parts), Counter[str]())
    return {
        "id": job.id,
        "name": job.name,
        "parts": [p["name"] for p in job.parts],
        "pieces": sum(p["count"] for p in job.parts),
        "created": job.created,
        "number": job.number,
        "state": job.state,
        "stage": job.stage,
        "share": job.share,
        "error": job.error,
        "summary": {"lasting": bool(job.summary.get("lasting"))},
        "features": sum(p["features"] for p in parts),
        "operations": sum(p["operations"] for p in parts),
        "doubts": sum(p["doubts"] for p in parts),
        "flags": dict(flags),
        "codes": sorted({code for p in parts for code in p.get("codes", ())}),
        "material": next((p["material"] for p in parts if "material" in p), ""),
        "minutes": _sum(parts, "minutes"),
        "cost": _sum(parts, "cost"),
        "currency": next((p["currency"] for p in parts if p.get("currency")), ""),
        "setups": _sum(parts, "setups"),
        "note": job.note,
        "standing": job.standing,
    }


def _sum(parts: Iterable[Mapping[str, Any]], key: str) -> float | None:
    """None where one of them is not known."""
    values = [p.get(key) for p in parts]
    return None if not values or None in values else sum(values)  # type: ignore[arg-type]


def as_csv(rows: Iterable[Mapping[str, Any]]) -> str:
    """The rows of the list with a head; RFC 4180, lines ended by CR LF."""
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(_COLUMNS)
    for r in rows:
        flags = [r["flags"].get(s, 0) for s in ("blocking", "warning", "note")]
        figures = ["" if r[k] is None else round(r[k], 2) for k in ("minutes", "cost")]
        setups = "" if r["setups"] is None else r["setups"]
        named = [r["name"], ", ".join(r["parts"]), r["pieces"], r["material"]]
        last = [r["state"], r["standing"], r["note"], r["created"]]
        cells = [*named, *figures, r["currency"], setups, r["doubts"], *flags, *last]
        table.writerow([_plain(c) for c in cells])
    return text.getvalue()


def _plain(cell: Any) -> Any:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell

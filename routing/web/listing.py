"""The list of jobs for who quotes: picture, material, hours, money, flags, state, note; as CSV too."""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from routing.web.asked import json_table
from routing.web.interface import Endpoint
from routing.web.jobs import JobQueue
from routing.web.people import who
from routing.web.records import STANDINGS, Listed
from routing.web.schemas import FILE, PICKED, TEXT, ref, table
from routing.web.store import PICTURE, Store

_NOTE_LENGTH = 500
MOST_PIECES, MOST_MARGIN = 100_000, 500
_COLUMNS = (
    "file", "part", "pieces", "material", "minutes", "money", "ordered", "margin %", "price",
    "currency", "setups", "to settle",
    "blocking", "warnings", "notes", "state", "standing", "note", "handed in",
)  # fmt: skip
# A table's program would work out what begins so: it is told that this is text.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class Listing:
    """The handlers, over one store and its queue."""

    def __init__(self, store: Store, jobs: JobQueue) -> None:
        self._store, self._jobs = store, jobs

    def endpoints(self) -> list[Endpoint]:
        job = "/api/jobs/{job}"
        standing = table(
            ("pieces", "margin_percent"),
            note=TEXT,
            standing={"enum": list(STANDINGS)},
            pieces={"type": "integer", "minimum": 1, "maximum": MOST_PIECES},
            margin_percent={"type": "number", "minimum": 0, "maximum": MOST_MARGIN},
        )
        return [
            Endpoint("GET", "/api/list", self.listed, ref("schemas", "List")),
            Endpoint("GET", "/api/list.csv", self.as_table, TEXT, kind="text/csv", query=PICKED),
            Endpoint("POST", f"{job}/standing", self.stand, status=204, refusals=(422,), body=standing),
            Endpoint("GET", f"{job}/picture", self.picture, FILE, kind="image/png"),
        ]

    async def listed(self, _: Request) -> Response:
        """All jobs, each with what its last revision came to."""
        ahead = {turn: n for n, turn in enumerate(self._jobs.line())}
        rows = [row_of(job) | {"ahead": ahead.get((job.id, job.number))} for job in self._store.listed()]
        return JSONResponse({"jobs": rows, "standings": STANDINGS})

    async def as_table(self, request: Request) -> Response:
        """All jobs, or some of them, as CSV."""
        wanted = set(filter(None, request.query_params.get("jobs", "").split(",")))
        rows = [row_of(job) for job in self._store.listed()]
        text = as_csv(r for r in rows if not wanted or r["id"] in wanted)
        saved = {"content-disposition": 'attachment; filename="jobs.csv"'}
        return Response(text, media_type="text/csv; charset=utf-8", headers=saved)

    async def stand(self, request: Request) -> Response:
        """What a person notes of a job, where its quote stands, and how many pieces are asked for."""
        told = await json_table(request)
        if set(told) - {"pieces", "margin_percent"} != {"note", "standing"} or not isinstance(
            told["note"], str
        ):
            raise HTTPException(400, "write note and standing, perhaps pieces and margin_percent.")
        ordered = read_order({key: str(told[key]) for key in ("pieces", "margin_percent") if key in told})
        note, standing = told["note"][:_NOTE_LENGTH], told["standing"]
        if standing not in STANDINGS:
            raise HTTPException(
                422, f"standing: write one of {', '.join(filter(None, STANDINGS))}, or nothing."
            )
        try:
            job = self._store.job(request.path_params["job"])
        except KeyError:
            raise HTTPException(404, "there is no such job.") from None
        now = {"note": note, "standing": standing, **ordered}
        before = {key: getattr(job, key) for key in now}
        self._store.stand(job.id, **now)
        self._store.log(who(request), "standing", job, None, before, now)
        return Response(status_code=204)

    async def picture(self, request: Request) -> Response:
        """What the part looks like."""
        try:
            job = self._store.job(request.path_params["job"])
        except KeyError:
            raise HTTPException(404, "there is no such job.") from None
        path = self._store.view(job.id, job.drawings[-1]["number"]) / PICTURE
        if not path.is_file():
            raise HTTPException(404, "there is no picture yet.")
        return FileResponse(path, media_type="image/png", headers={"cache-control": "max-age=86400"})


def read_order(given: Mapping[str, str]) -> dict[str, float]:
    """Pieces and margin_percent where they are given; refused where they are none."""
    found: dict[str, float] = {}
    if (pieces := given.get("pieces")) is not None:
        if not (pieces.isascii() and pieces.isdecimal() and 1 <= int(pieces[:9]) <= MOST_PIECES):
            raise HTTPException(422, f"pieces: write a whole number from 1 to {MOST_PIECES}.")
        found["pieces"] = int(pieces)
    if (margin := given.get("margin_percent")) is not None:
        try:
            found["margin_percent"] = float(margin)
        except ValueError:
            found["margin_percent"] = math.nan
        if not 0 <= found["margin_percent"] <= MOST_MARGIN:
            raise HTTPException(422, f"margin_percent: write a number from 0 to {MOST_MARGIN}.")
    return found


def price_of(parts: Iterable[Mapping[str, Any]], pieces: int, margin_percent: float) -> float | None:
    """Money for so many of each part, with the margin; None where one has no estimate.

    What one piece costs falls with 1/pieces towards what each one takes by itself: two lots of the estimate
    tell both.
    """
    total = 0.0
    for part in parts:
        lots = {lot["pieces"]: lot["cost"] for lot in part.get("lots", ())}
        if part.get("cost") is None:
            return None
        if len(lots) < 2 or pieces in lots:
            each = lots.get(pieces, part["cost"])
        else:
            (a, cost_a), (b, cost_b) = min(lots.items()), max(lots.items())
            once = (cost_a - cost_b) / (1 / a - 1 / b)
            each = cost_a - once / a + once / pieces
        total += each * pieces * part["count"]
    return total * (1 + margin_percent / 100)


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
        "drawing": job.drawing,
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
        "ordered": job.pieces,
        "margin_percent": job.margin_percent,
        "price": price_of(parts, job.pieces, job.margin_percent) if parts else None,
        "similar": job.similar,
        "who": job.who,
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
        price = "" if r["price"] is None else round(r["price"], 2)
        named = [r["name"], ", ".join(r["parts"]), r["pieces"], r["material"]]
        last = [r["state"], r["standing"], r["note"], r["created"]]
        cells = [
            *named,
            *figures,
            r["ordered"],
            r["margin_percent"],
            price,
            r["currency"],
            setups,
            r["doubts"],
            *flags,
            *last,
        ]
        table.writerow([_plain(c) for c in cells])
    return text.getvalue()


def _plain(cell: Any) -> Any:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell

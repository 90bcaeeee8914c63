"""Have we made one like it? The jobs most like a part, with pictures, differences, hours quoted and taken."""

from __future__ import annotations

import logging
import threading
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from routing.web.interface import Endpoint
from routing.web.kept import route_of
from routing.web.likeness import PartShape, differences
from routing.web.records import State
from routing.web.schemas import LOOKED_FOR, ref
from routing.web.shapes import Described
from routing.web.store import Store

_MOST = 50
_log = logging.getLogger("dieroute")


class Liking:
    """The handler, over one store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def endpoints(self) -> list[Endpoint]:
        return [
            Endpoint(
                "GET", "/api/like", self.like, ref("schemas", "Alike"), query=LOOKED_FOR, refusals=(404, 422)
            )
        ]

    async def like(self, request: Request) -> Response:
        """Jobs that are like a part, the most like first, or that hold all words, the latest first.

        Turned, mirrored and in whatever unit it was drawn: a part is known by its features' sizes, its box,
        its volume and how its bores stand to each other. A word is part of a name, note, kind of feature or
        material, or a size (6, d6, M5), or a box (60x40x20).
        """
        asked = request.query_params
        limit = _whole(asked.get("limit", "12"), "limit", 1)
        part = _whole(asked.get("part", "0"), "part", 0)
        mine = None
        if job := asked.get("job", ""):
            mine = self._store.shapes.of(job[:40], part)
            if mine is None:
                raise HTTPException(404, "there is no such part, or it is not worked out yet.")
        return JSONResponse(
            await run_in_threadpool(
                alike,
                self._store,
                mine,
                asked.get("q", "")[:200],
                asked.get("material", "")[:60],
                min(limit, _MOST),
            )
        )


def alike(
    store: Store, mine: Described | PartShape | None, words: str, material: str, limit: int = 12
) -> dict[str, Any]:
    """The answer as plain data."""
    shape = mine.shape if isinstance(mine, Described) else mine
    without = mine.job if isinstance(mine, Described) else ""
    found = store.shapes.like(shape, words=words, material=material, without=without, limit=limit)
    sums = store.taken.sums()
    rows = []
    for one in found:
        d = one.described
        try:
            job = store.job(d.job)
        except KeyError:  # removed meanwhile
            continue
        taken, quoted, steps = sums.get(d.job, (None, None, 0))
        rows.append(
            {
                "job": d.job,
                "part": d.part,
                "number": d.number,
                "file": job.name,
                "name": d.name,
                "created": job.created,
                "drawing": job.revisions[d.number - 1].drawing,
                "standing": job.standing,
                "note": job.note,
                "material": d.material,
                "share": one.share,
                "box_mm": list(d.shape.box_mm),
                "volume_mm3": d.shape.volume_mm3,
                "features": len(d.shape.features),
                "minutes": d.minutes,
                "cost": d.cost,
                "currency": d.currency,
                "taken_min": taken,
                "quoted_min": quoted,
                "taken_steps": steps,
                "differences": [asdict(x) for x in differences(shape, d.shape)] if shape else [],
            }
        )
    return {"alike": rows, "material": mine.material if isinstance(mine, Described) else ""}


def describe(store: Store, job: str, number: int) -> None:
    """Keeps what the parts of a finished revision are like, where the search looks for them."""
    try:
        revision = store.revision(job, number)
        if revision.state is State.DONE:
            store.shapes.keep(_described(store, job, number, len(revision.summary.get("parts", ()))))
    except KeyError:
        return  # removed meanwhile


def _described(store: Store, job: str, number: int, count: int) -> Sequence[Described]:
    found = []
    revision = store.revision(job, number)
    for part in range(count):
        route = route_of(store, revision, part)
        estimate = route["estimate"] or {}
        found.append(
            Described(
                job,
                part,
                number,
                route["part"]["name"],
                route["part"]["material"],
                estimate.get("minutes"),
                estimate.get("cost"),
                estimate.get("currency", ""),
                PartShape.of(route["part"], route["features"]),
            )
        )
    return found


def describe_missing(store: Store, ended: threading.Event | None = None) -> None:
    """Describes what earlier versions left; a result that cannot be read is passed over."""
    for job, number in store.shapes.missing():
        if ended is not None and ended.is_set():
            return
        try:
            describe(store, job, number)
        except Exception as error:
            _log.warning("job %s is not found by its shape (%s)", job, error)


def _whole(text: str, name: str, least: int) -> int:
    if not (text.isascii() and text.isdecimal() and len(text) < 10 and int(text) >= least):
        raise HTTPException(422, f"{name}: write a whole number from {least}.")
    return int(text)

"""The shapes of all jobs beside them in the database, and the search among them."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from threading import RLock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from routing.web.likeness import LENGTH, VERSION, PartShape, likeness

# An id that is never given twice tells whether what was read is still what there is.
SHAPES = """
CREATE TABLE IF NOT EXISTS shape (
    id INTEGER PRIMARY KEY AUTOINCREMENT, job TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE,
    part INTEGER NOT NULL, number INTEGER NOT NULL, version INTEGER NOT NULL,
    name TEXT NOT NULL, material TEXT NOT NULL, minutes REAL, cost REAL, currency TEXT NOT NULL,
    words TEXT NOT NULL, told TEXT NOT NULL, vector BLOB NOT NULL, UNIQUE (job, part)
);
"""
_BOX = re.compile(r"\d+(?:\.\d+)?(?:[x×]\d+(?:\.\d+)?){2}")
_SIZE = re.compile(r"[ødm]?\d+(?:\.\d+)?(?:mm)?")
# A box that is written by hand is meant as near as this, for each side.
_NEAR = 0.02
_MOST_WORDS = 20


@dataclass(frozen=True)
class Described:
    """A part of a job's last result; ``minutes`` and ``cost`` of one piece as estimated, None for none."""

    job: str
    part: int
    number: int
    name: str
    material: str
    minutes: float | None
    cost: float | None
    currency: str
    shape: PartShape


@dataclass(frozen=True)
class Found:
    """``share`` from 0 to 1 is how like it is; None where nothing was compared."""

    described: Described
    share: float | None


class ShapeTable:
    """The rows of one database, with their numbers in memory once they were asked for."""

    def __init__(self, db: sqlite3.Connection, lock: RLock) -> None:
        self._db, self._lock = db, lock
        self._state: tuple[int, int] = (-1, -1)
        self._ids: NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self._vectors: NDArray[np.float32] = np.zeros((0, LENGTH), dtype=np.float32)

    def keep(self, parts: Sequence[Described]) -> None:
        """The parts of a job in the place of those that were kept of it; nothing of a job that is gone."""
        rows = [
            (
                d.job,
                d.part,
                d.number,
                VERSION,
                d.name,
                d.material,
                d.minutes,
                d.cost,
                d.currency,
                f"{d.shape.words()}{d.material} ",
                json.dumps(asdict(d.shape)),
                d.shape.vector().tobytes(),
            )
            for d in parts
        ]
        with self._lock, self._db:
            for job in {d.job for d in parts}:
                self._db.execute("DELETE FROM shape WHERE job = ?", (job,))
            self._db.executemany(
                "INSERT INTO shape (job, part, number, version, name, material, minutes, cost, currency, "
                "words, told, vector) SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12 "
                "WHERE EXISTS (SELECT 1 FROM job WHERE id = ?1)",
                rows,
            )

    def missing(self) -> list[tuple[str, int]]:
        """Jobs with their last finished revision, where that is not described as it is today."""
        with self._lock:
            rows = self._db.execute(
                "SELECT done.job, done.number FROM (SELECT job, MAX(number) AS number FROM revision "
                "WHERE state = 'done' GROUP BY job) AS done LEFT JOIN shape ON shape.job = done.job "
                "AND shape.number = done.number AND shape.version = ? WHERE shape.id IS NULL",
                (VERSION,),
            ).fetchall()
        return [(job, number) for job, number in rows]

    def of(self, job: str, part: int) -> Described | None:
        with self._lock:
            rows = self._db.execute("SELECT * FROM shape WHERE job = ? AND part = ?", (job, part)).fetchall()
        return _described(rows[0]) if rows else None

    def like(
        self,
        shape: PartShape | None,
        *,
        words: str = "",
        material: str = "",
        without: str = "",
        limit: int = 12,
    ) -> list[Found]:
        """Parts that fit the words and the material, the most like the shape first, else the latest.

        Each word is in the name of the file or part, a note, a kind of feature or the material, or is a size
        (6, d6, M5), or a box (60x40x20). ``without`` is a job that is left out. Of a job its best part.
        """
        with self._lock:
            ids, vectors = self._read()
            rows = self._db.execute(*_query(words, material, without)).fetchall()
        jobs = {row["id"]: row["job"] for row in rows}
        fits = np.flatnonzero(np.isin(ids, list(jobs)))
        boxes = [_sides(word) for word in _words(words) if _BOX.fullmatch(word)]
        for box in boxes:
            near = np.abs(vectors[fits, :3] - np.log(box)).max(axis=1) < np.log(1 + _NEAR)
            fits = fits[near]
        shares: dict[int, float] = {}
        if shape is None:
            order = fits[::-1]
        else:
            common = likeness(shape.vector(), vectors[fits])
            order = fits[np.argsort(-common, kind="stable")]
            shares = dict(zip(fits.tolist(), common.tolist(), strict=True))
        found: dict[str, tuple[int, float | None]] = {}
        for n in order:
            found.setdefault(jobs[int(ids[n])], (int(ids[n]), shares.get(int(n))))
            if len(found) == limit:
                break
        with self._lock:
            kept = [
                self._db.execute("SELECT * FROM shape WHERE id = ?", (i,)).fetchone()
                for i, _ in found.values()
            ]
        return [
            Found(_described(row), share)
            for row, (_, share) in zip(kept, found.values(), strict=True)
            if row is not None
        ]

    def _read(self) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """All numbers, read anew where something was kept or removed since."""
        (row,) = self._db.execute(
            "SELECT COUNT(*), COALESCE(MAX(id), 0) FROM shape WHERE version = ?", (VERSION,)
        )
        if self._state != tuple(row):
            rows = self._db.execute(
                "SELECT id, vector FROM shape WHERE version = ? AND length(vector) = ? ORDER BY id",
                (VERSION, 4 * LENGTH),
            ).fetchall()
            self._ids = np.array([r[0] for r in rows], dtype=np.int64)
            self._vectors = np.frombuffer(b"".join(r[1] for r in rows), dtype=np.float32).reshape(-1, LENGTH)
            self._state = row[0], row[1]
        return self._ids, self._vectors


def _words(text: str) -> list[str]:
    return text.casefold().split()[:_MOST_WORDS]


def _sides(word: str) -> list[float]:
    return sorted((max(float(s), 1e-3) for s in re.split("[x×]", word)), reverse=True)


def _query(words: str, material: str, without: str) -> tuple[str, list[Any]]:
    """The ids that fit, with their jobs."""
    where, given = ["version = ?", "shape.job <> ?"], [VERSION, without]
    text = "lower(job.name || ' ' || shape.name || ' ' || job.note || ' ' || job.standing) || words"
    for word in _words(words):
        if _BOX.fullmatch(word):
            continue
        if _SIZE.fullmatch(word):  # 6 is no part of 16
            bare = word.removesuffix("mm")
            either = [f"% {w} %" for w in {bare, bare.lstrip("ød")}]
            where.append("(" + " OR ".join([f"{text} LIKE ? ESCAPE '!'"] * len(either)) + ")")
            given += either
        else:
            where.append(f"{text} LIKE ? ESCAPE '!'")
            given.append("%" + re.sub(r"([%_!])", r"!\1", word) + "%")
    if material:
        where.append("(shape.material = ? OR shape.material LIKE ? ESCAPE '!')")
        given += [material, re.sub(r"([%_!])", r"!\1", material) + "-%"]
    query = (
        f"SELECT shape.id, shape.job FROM shape JOIN job ON job.id = shape.job WHERE {' AND '.join(where)}"
    )
    return query, given


def _described(row: sqlite3.Row) -> Described:
    told = json.loads(row["told"])
    shape = PartShape(
        tuple(told["box_mm"]),
        told["volume_mm3"],
        tuple((kind, thread, dims) for kind, thread, dims in told["features"]),
        tuple((tuple(at), tuple(way)) for at, way in told["axes"]),
    )
    return Described(
        row["job"],
        row["part"],
        row["number"],
        row["name"],
        row["material"],
        row["minutes"],
        row["cost"],
        row["currency"],
        shape,
    )

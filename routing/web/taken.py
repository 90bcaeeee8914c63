"""What steps really took, kept beside the jobs: minutes by job, revision, part, step and batch.

They outlive their job, as the log does: the shop's factors are learnt from them (routing/plan/estimate/fit).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from threading import RLock
from typing import Any

from routing.plan.estimate.fit import Case
from routing.processes.material import Material

# Minutes of ten years, pieces of a very large order: more is a slip.
MOST_MIN, MOST_PIECES, _BATCH_LENGTH = 5_000_000.0, 100_000, 60
TAKEN = """
CREATE TABLE IF NOT EXISTS taken (
    job TEXT NOT NULL, number INTEGER NOT NULL, part INTEGER NOT NULL, step INTEGER NOT NULL,
    batch TEXT NOT NULL DEFAULT '', name TEXT NOT NULL, stage TEXT NOT NULL, process TEXT NOT NULL,
    material TEXT NOT NULL, quoted_min REAL NOT NULL, factor REAL NOT NULL,
    taken_min REAL NOT NULL, pieces INTEGER NOT NULL, who TEXT NOT NULL, at TEXT NOT NULL,
    PRIMARY KEY (job, number, part, step, batch)
);
"""


class TakenError(Exception):
    """Minutes that cannot be kept. ``str()`` is one line: what, and what to do."""


@dataclass(frozen=True)
class StepMinutes:
    """``taken_min`` for all ``pieces``, as ``quoted_min`` is, which has the shop's own ``factor`` in it."""

    job: str
    number: int
    part: int
    step: int
    batch: str
    name: str
    stage: str
    process: str
    material: str
    quoted_min: float
    factor: float
    taken_min: float
    pieces: int
    who: str
    at: str

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)

    def case(self) -> Case:
        """As it is held against the rates, by the figure without the shop's own factor."""
        family = Material.named(self.material).family
        key = f"{self.job}.{self.number}.{self.part}.{self.batch}"
        return Case(key, self.process, family, self.stage, self.quoted_min / self.factor, self.taken_min)


@dataclass(frozen=True)
class Entry:
    """What a person says: the minutes of a step of a part for so many pieces; None takes it back."""

    job: str
    number: int
    part: int
    step: int
    taken_min: float | None
    pieces: int
    batch: str = ""

    def __post_init__(self) -> None:
        """Raises TakenError."""
        if self.taken_min is not None and not 0 < self.taken_min <= MOST_MIN:
            raise TakenError(f"minutes: write a number over 0 and up to {MOST_MIN:.0f}.")
        if not 1 <= self.pieces <= MOST_PIECES:
            raise TakenError(f"pieces: write a whole number from 1 to {MOST_PIECES}.")
        if len(self.batch) > _BATCH_LENGTH or not self.batch.isprintable():
            raise TakenError(f"batch: write at most {_BATCH_LENGTH} letters, such as a date or an order.")


class TakenTable:
    """The rows of one database."""

    def __init__(self, db: sqlite3.Connection, lock: RLock) -> None:
        self._db, self._lock = db, lock

    def enter(self, entry: Entry, name: str, route: Mapping[str, Any], who: str = "") -> tuple[Any, Any]:
        """Keeps what a person says of a step of a route file; gives the row before and now, each or None.

        The same step of the same batch again takes the place of what was said. Raises TakenError.
        """
        lines = (route["estimate"] or {"lines": ()})["lines"]
        known = {line["operation"]: line for line in lines if line["operation"] is not None}
        line = known.get(entry.step)
        if line is None:
            raise TakenError(f"step {entry.step} is none of this plan: write one of 1 to {len(known)}.")
        key = (entry.job, entry.number, entry.part, entry.step, entry.batch)
        where = "WHERE job = ? AND number = ? AND part = ? AND step = ? AND batch = ?"
        with self._lock, self._db:
            before = self._rows(where, *key)
            if entry.taken_min is None:
                self._db.execute(f"DELETE FROM taken {where}", key)
                return (before[0] if before else None), None
            quoted = line["set_up_min"] + entry.pieces * (line["run_min"] + line["idle_min"])
            now = StepMinutes(
                *key, name, line["what"], line["process"], route["part"]["material"], quoted,
                line.get("factor", 1.0), entry.taken_min, entry.pieces, who, _now(),
            )  # fmt: skip
            names = [f.name for f in fields(StepMinutes)]
            marks = ", ".join("?" * len(names))
            values = [getattr(now, n) for n in names]
            self._db.execute(f"INSERT OR REPLACE INTO taken ({', '.join(names)}) VALUES ({marks})", values)
        return (before[0] if before else None), now

    def of(self, job: str, number: int | None = None, part: int | None = None) -> list[StepMinutes]:
        """Of a job, or of a part of one of its revisions, in the order of the steps."""
        found = self._rows("WHERE job = ? ORDER BY number, part, step, batch", job)
        return [t for t in found if number in (None, t.number) and part in (None, t.part)]

    def all(self) -> list[StepMinutes]:
        return self._rows("ORDER BY at, rowid")

    def sums(self) -> dict[str, tuple[float, float, int]]:
        """By job: minutes taken, minutes quoted for the same steps, how many they are."""
        with self._lock:
            rows = self._db.execute(
                "SELECT job, SUM(taken_min), SUM(quoted_min), COUNT(*) FROM taken GROUP BY job"
            ).fetchall()
        return {job: (taken, quoted, steps) for job, taken, quoted, steps in rows}

    def _rows(self, rest: str, *values: Any) -> list[StepMinutes]:
        names = ", ".join(f.name for f in fields(StepMinutes))
        with self._lock:
            rows = self._db.execute(f"SELECT {names} FROM taken {rest}", values).fetchall()
        return [StepMinutes(*row) for row in rows]


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")

"""What steps really took, kept beside the jobs: minutes by job, revision, part, step and batch.

They outlive their job, as the log does: the shop's factors are learnt from them (routing/plan/estimate/fit).
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from threading import RLock
from typing import Any

from routing.plan.estimate.fit import Case
from routing.processes.material import Material

# Less than a second, more than ten years, more than a very large order: a slip.
LEAST_MIN, MOST_MIN, MOST_PIECES, _BATCH_LENGTH = 0.01, 5_000_000.0, 100_000, 60
TAKEN = """
CREATE TABLE IF NOT EXISTS taken (
    job TEXT NOT NULL, number INTEGER NOT NULL, part INTEGER NOT NULL, step INTEGER NOT NULL,
    batch TEXT NOT NULL DEFAULT '', name TEXT NOT NULL, stage TEXT NOT NULL, process TEXT NOT NULL,
    material TEXT NOT NULL, quoted_min REAL NOT NULL, factor REAL NOT NULL,
    taken_min REAL NOT NULL, pieces INTEGER NOT NULL, who TEXT NOT NULL, at TEXT NOT NULL,
    PRIMARY KEY (job, number, part, step, batch)
);
"""


Key = tuple[str, int, int, int, str]
_ONE = "WHERE job = ? AND number = ? AND part = ? AND step = ? AND batch = ?"


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

    @property
    def key(self) -> Key:
        return self.job, self.number, self.part, self.step, self.batch

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

    @property
    def key(self) -> Key:
        return self.job, self.number, self.part, self.step, self.batch

    def __post_init__(self) -> None:
        """Raises TakenError."""
        if self.taken_min is not None and not LEAST_MIN <= self.taken_min <= MOST_MIN:
            raise TakenError(f"minutes: write a number from {LEAST_MIN:g} to {MOST_MIN:.0f}.")
        if not 1 <= self.pieces <= MOST_PIECES:
            raise TakenError(f"pieces: write a whole number from 1 to {MOST_PIECES}.")
        if len(self.batch) > _BATCH_LENGTH or not self.batch.isprintable():
            raise TakenError(f"batch: write at most {_BATCH_LENGTH} letters, such as a date or an order.")


def minutes_of(entry: Entry, name: str, route: Mapping[str, Any], who: str = "") -> StepMinutes:
    """What a person says of a step of a route file, beside what was quoted for it; raises TakenError.

    ``name`` is what the job's file is called.
    """
    lines = (route["estimate"] or {"lines": ()})["lines"]
    known = {line["operation"]: line for line in lines if line["operation"] is not None}
    line = known.get(entry.step)
    if line is None or entry.taken_min is None:
        raise TakenError(f"step {entry.step} is none of this plan: write one of 1 to {len(known)}.")
    return StepMinutes(
        *entry.key,
        name,
        line["what"],
        line["process"],
        route["part"]["material"],
        line["set_up_min"] + entry.pieces * (line["run_min"] + line["idle_min"]),
        line.get("factor", 1.0),
        entry.taken_min,
        entry.pieces,
        who,
        datetime.now(UTC).isoformat(timespec="seconds"),
    )


class TakenTable:
    """The rows of one database."""

    def __init__(self, db: sqlite3.Connection, lock: RLock) -> None:
        self._db, self._lock = db, lock

    def put(self, rows: Sequence[StepMinutes]) -> list[StepMinutes | None]:
        """Keeps rows, all or none; each takes the place of what was said of its step of its batch, which
        is given."""
        names = [f.name for f in fields(StepMinutes)]
        marks = ", ".join("?" * len(names))
        query = f"INSERT OR REPLACE INTO taken ({', '.join(names)}) VALUES ({marks})"
        before = []
        with self._lock, self._db:
            for row in rows:
                before.append(self._one(row.key))
                self._db.execute(query, [getattr(row, n) for n in names])
        return before

    def take_back(self, key: Key) -> StepMinutes | None:
        """Forgets what was said of a step of a batch, and gives it."""
        with self._lock, self._db:
            before = self._one(key)
            self._db.execute(f"DELETE FROM taken {_ONE}", key)
        return before

    def _one(self, key: Key) -> StepMinutes | None:
        found = self._rows(_ONE, *key)
        return found[0] if found else None

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

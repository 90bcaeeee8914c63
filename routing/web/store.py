"""Jobs on disk: an SQLite file for what is known of them, a folder for the files of each.

A job is one model handed in; every change of a choice is a new revision of it. Paths are made of our own
ids and numbers, never of what a file or a part is called.
"""

from __future__ import annotations

import json
import re
import secrets
import shutil
import sqlite3
import threading
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from featurize import system
from routing.jobs.errors import SetupError
from routing.web.records import COUNTING, ForkError, Job, JobRevision, Listed, State
from routing.web.shapes import SHAPES, ShapeTable
from routing.web.taken import TAKEN, TakenTable

MODEL, PREVIEW, PICTURE = "model.step", "preview.json", "picture.png"
# Beside the folders of a result, for the page alone.
PLACES, FIXTURES = "places.json", "fixtures.json"
_ID = re.compile(r"[0-9a-f]{12}")
_BLANK = re.compile(r"blank_[0-9a-f]{16}\.step")
_SCHEMA = """
CREATE TABLE IF NOT EXISTS job (
    id TEXT PRIMARY KEY, name TEXT NOT NULL, sha256 TEXT NOT NULL, bytes INTEGER NOT NULL,
    created TEXT NOT NULL, parts TEXT NOT NULL DEFAULT '[]',
    note TEXT NOT NULL DEFAULT '', standing TEXT NOT NULL DEFAULT '',
    pieces INTEGER NOT NULL DEFAULT 1, margin_percent REAL NOT NULL DEFAULT 0,
    similar TEXT NOT NULL DEFAULT '{}'
);
CREATE TABLE IF NOT EXISTS drawing (
    job TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, number INTEGER NOT NULL,
    name TEXT NOT NULL, sha256 TEXT NOT NULL, bytes INTEGER NOT NULL, created TEXT NOT NULL,
    parts TEXT NOT NULL DEFAULT '[]', PRIMARY KEY (job, number)
);
CREATE TABLE IF NOT EXISTS revision (
    job TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, number INTEGER NOT NULL,
    state TEXT NOT NULL, stage TEXT NOT NULL DEFAULT '', share REAL NOT NULL DEFAULT 0,
    error TEXT NOT NULL DEFAULT '', choices TEXT NOT NULL, created TEXT NOT NULL,
    seconds REAL, summary TEXT NOT NULL DEFAULT '{}', starts INTEGER NOT NULL DEFAULT 0,
    base INTEGER, sure INTEGER NOT NULL DEFAULT 1,
    drawing INTEGER NOT NULL DEFAULT 1, who TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (job, number)
);
CREATE TABLE IF NOT EXISTS blank (
    job TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, file TEXT NOT NULL, name TEXT NOT NULL,
    bytes INTEGER NOT NULL, PRIMARY KEY (job, file)
);
CREATE TABLE IF NOT EXISTS log (
    at TEXT NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL, job TEXT NOT NULL, name TEXT NOT NULL,
    number INTEGER, before TEXT NOT NULL DEFAULT '{}', after TEXT NOT NULL DEFAULT '{}'
);
"""
# Of the tables; an older file is brought up to it, a newer one refused.
_VERSION = 4
# Columns that came later, for files that were made before.
_LATER = (
    ("revision", "starts", "INTEGER NOT NULL DEFAULT 0"),
    ("revision", "base", "INTEGER"),
    ("revision", "sure", "INTEGER NOT NULL DEFAULT 1"),
    ("job", "note", "TEXT NOT NULL DEFAULT ''"),
    ("job", "standing", "TEXT NOT NULL DEFAULT ''"),
    ("job", "pieces", "INTEGER NOT NULL DEFAULT 1"),
    ("job", "margin_percent", "REAL NOT NULL DEFAULT 0"),
    ("job", "similar", "TEXT NOT NULL DEFAULT '{}'"),
    ("revision", "drawing", "INTEGER NOT NULL DEFAULT 1"),
    ("revision", "who", "TEXT NOT NULL DEFAULT ''"),
)
# A job that was at work this often when its server was killed may be what kills it: it is left alone.
_MOST_STARTS = 2
DISK_FULL = "the disk of the server is full: make room there and try again."
_LOST = "the server ended while it was worked on, twice: it can be run again."


def is_blank_file(name: object) -> bool:
    """Whether choices name a blank that was handed in beside a job's model, as this store calls it."""
    return isinstance(name, str) and _BLANK.fullmatch(name) is not None


class StoreError(SetupError):
    """The folder of jobs cannot be used."""


class Store:
    """One server's jobs; a second server on the same folder is refused."""

    def __init__(self, folder: Path, *, beside: bool = False) -> None:
        """Opens or makes the folder. Jobs that a killed server left running wait again, but not for ever.

        With ``beside`` the folder is there already and a server may be at work on it: its jobs are left
        alone. Raises StoreError.
        """
        self.folder = folder.absolute()
        self._lock = threading.RLock()
        if beside and not (self.folder / "jobs.sqlite3").is_file():
            raise StoreError(f"{folder} holds no jobs: name the --folder of `dieroute serve`.")
        try:
            for place in (self.jobs_folder, self.incoming):
                place.mkdir(parents=True, exist_ok=True)
            self._lock_file = (self.folder / "in-use").open("wb")
            if not beside and system.try_lock(self._lock_file) is False:
                raise StoreError(f"{folder} is in use by another `dieroute serve`: name another --folder.")
            self._db = sqlite3.connect(self.folder / "jobs.sqlite3", check_same_thread=False)
            self.taken = TakenTable(self._db, self._lock)
            self.shapes = ShapeTable(self._db, self._lock)
        except (OSError, sqlite3.Error) as error:
            raise StoreError(f"{folder} cannot be used for jobs ({error}): name another --folder.") from error
        try:
            self._open_tables()
            if not beside:
                self._recover()
        except (OSError, sqlite3.Error, ValueError) as error:
            self.close()
            raise StoreError(
                f"{folder} holds no list of jobs that can be used ({error}): name another --folder."
            ) from error

    @property
    def jobs_folder(self) -> Path:
        return self.folder / "jobs"

    @property
    def incoming(self) -> Path:
        """Where uploads grow; nothing in it outlives a restart."""
        return self.folder / "incoming"

    def close(self) -> None:
        with self._lock:
            self._db.close()
            self._lock_file.close()

    def _open_tables(self) -> None:
        self._db.row_factory = sqlite3.Row
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = FULL")
        self._db.execute("PRAGMA foreign_keys = ON")
        (row,) = self._rows("PRAGMA quick_check(1)")
        if row[0] != "ok":
            raise ValueError(row[0])
        (row,) = self._rows("PRAGMA user_version")
        if row[0] > _VERSION:
            raise ValueError("it is of a later version of this program")
        self._db.executescript(_SCHEMA + TAKEN + SHAPES)
        for table, name, kind in _LATER:
            if not any(column["name"] == name for column in self._rows(f"PRAGMA table_info({table})")):
                self._db.execute(f"ALTER TABLE {table} ADD COLUMN {name} {kind}")
        self._db.execute(
            "INSERT INTO drawing (job, number, name, sha256, bytes, created, parts) "
            "SELECT id, 1, name, sha256, bytes, created, parts FROM job "
            "WHERE id NOT IN (SELECT job FROM drawing)"
        )
        self._db.commit()
        self._db.execute(f"PRAGMA user_version = {_VERSION}")

    def _recover(self) -> None:
        again = "UPDATE revision SET state = ?, stage = '', share = 0, error = ? WHERE state = ? AND starts "
        self._do(again + "< ?", State.WAITING, "", State.RUNNING, _MOST_STARTS)
        self._do(again + ">= ?", State.INTERRUPTED, _LOST, State.RUNNING, _MOST_STARTS)
        known = {row["id"] for row in self._rows("SELECT id FROM job")}
        for left in [*self.incoming.iterdir(), *self.jobs_folder.iterdir()]:
            if left.parent == self.incoming or left.name not in known:
                _remove(left)
        for left in [*self.jobs_folder.glob("*/.*"), *self.jobs_folder.glob("*/*.dropped")]:
            _remove(left)  # half-made results, marks that nobody reads any more

    def add(self, upload: Path, name: str, sha256: str, choices: Mapping[str, Any], *, who: str = "") -> Job:
        """Takes a finished upload over as a new job with a first revision."""
        job = secrets.token_hex(6)
        place = self.jobs_folder / job
        place.mkdir()
        try:
            size = upload.stat().st_size
            upload.rename(place / MODEL)
            with self._lock, self._db:
                self._db.execute(
                    "INSERT INTO job (id, name, sha256, bytes, created) VALUES (?, ?, ?, ?, ?)",
                    (job, name, sha256, size, _now()),
                )
                self._insert_drawing(job, 1, name, sha256, size)
                self._insert(job, 1, choices, who=who)
        except BaseException:
            _remove(place)
            raise
        return self.job(job)

    def add_drawing(
        self, job: str, upload: Path, name: str, sha256: str, base: JobRevision, *, who: str = ""
    ) -> JobRevision:
        """A finished upload as the next drawing of a job, and a revision of it with the base's choices."""
        with self._lock, self._db:
            (row,) = self._rows("SELECT MAX(number) AS n FROM drawing WHERE job = ?", job)
            drawing, size = row["n"] + 1, upload.stat().st_size
            upload.rename(self.model(job, drawing))
            self._insert_drawing(job, drawing, name, sha256, size)
            self._db.execute(
                "UPDATE job SET name = ?, sha256 = ?, bytes = ?, parts = '[]' WHERE id = ?",
                (name, sha256, size, job),
            )
            (row,) = self._rows("SELECT MAX(number) AS n FROM revision WHERE job = ?", job)
            number = row["n"] + 1
            self._insert(job, number, base.choices, base.number, drawing=drawing, who=who)
            return self.revision(job, number)

    def _insert_drawing(self, job: str, number: int, name: str, sha256: str, size: int) -> None:
        self._db.execute(
            "INSERT INTO drawing (job, number, name, sha256, bytes, created) VALUES (?, ?, ?, ?, ?, ?)",
            (job, number, name, sha256, size, _now()),
        )

    def add_blank(self, job: str, upload: Path, name: str, sha256: str) -> str:
        """Keeps a finished upload beside a job's model; gives the name by which choices call it."""
        file = f"blank_{sha256[:16]}.step"
        size = upload.stat().st_size
        upload.rename(self.place(job) / file)
        self._do(
            "INSERT OR REPLACE INTO blank (job, file, name, bytes) VALUES (?, ?, ?, ?)", job, file, name, size
        )
        return file

    def forget_blank(self, job: str, file: str) -> None:
        """Takes back a blank that cannot be used, unless choices name it already."""
        if any(r.choices.get("blank") == file for r in self.job(job).revisions):
            return
        self._do("DELETE FROM blank WHERE job = ? AND file = ?", job, file)
        (self.place(job) / file).unlink(missing_ok=True)

    def take_blank(self, job: str, file: str, source: Job) -> None:
        """Another job's blank for this one too."""
        (blank,) = (b for b in source.blanks if b["file"] == file)
        shutil.copyfile(self.place(source.id) / file, self.place(job) / file)
        self._do(
            "INSERT INTO blank (job, file, name, bytes) VALUES (?, ?, ?, ?)",
            job,
            file,
            blank["name"],
            blank["bytes"],
        )

    def revise(
        self,
        job: str,
        choices: Mapping[str, Any],
        *,
        base: int | None = None,
        sure: bool = True,
        latest: int | None = None,
        who: str = "",
    ) -> JobRevision:
        """A new revision of a job, waiting to be run.

        With ``latest`` the sender knows of no later one: raises ForkError where there is one that counts.
        """
        with self._lock, self._db:
            known = self._rows("SELECT * FROM revision WHERE job = ? ORDER BY number", job)
            later = [
                r for r in known if latest is not None and r["number"] > latest and r["state"] in COUNTING
            ]
            if later:
                raise ForkError(_revision(later[0]))
            drawing = next((r["drawing"] for r in known if r["number"] == base), known[-1]["drawing"])
            number = known[-1]["number"] + 1
            self._insert(job, number, choices, base, sure, drawing=drawing, who=who)
            return self.revision(job, number)

    def _insert(
        self,
        job: str,
        number: int,
        choices: Mapping[str, Any],
        base: int | None = None,
        sure: bool = True,
        *,
        drawing: int = 1,
        who: str = "",
    ) -> None:
        self._db.execute(
            "INSERT INTO revision (job, number, state, choices, created, base, sure, drawing, who) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (job, number, State.WAITING, json.dumps(choices), _now(), base, sure, drawing, who),
        )

    def update(self, job: str, number: int, **changes: Any) -> JobRevision:
        """Sets columns of a revision; gives it as it is then. Raises KeyError for one that is gone."""
        values = {k: json.dumps(v) if isinstance(v, dict) else v for k, v in changes.items()}
        columns = ", ".join(f"{name} = ?" for name in values)  # our own words, never a visitor's
        self._do(f"UPDATE revision SET {columns} WHERE job = ? AND number = ?", *values.values(), job, number)
        return self.revision(job, number)

    def name_parts(self, job: str, parts: Iterable[Mapping[str, Any]], drawing: int = 1) -> None:
        """What a file turned out to hold."""
        text = json.dumps(list(parts))
        with self._lock, self._db:
            self._db.execute(
                "UPDATE drawing SET parts = ? WHERE job = ? AND number = ?", (text, job, drawing)
            )
            self._db.execute(
                "UPDATE job SET parts = ? WHERE id = ? AND ? = "
                "(SELECT MAX(number) FROM drawing WHERE job = ?)",
                (text, job, drawing, job),
            )

    def propose(self, job: str, similar: Mapping[str, Any]) -> None:
        """The job that this one may be the next drawing of; nothing where a person says that it is not."""
        self._do("UPDATE job SET similar = ? WHERE id = ?", json.dumps(similar), job)

    def job(self, job: str) -> Job:
        """Raises KeyError."""
        rows = self._rows("SELECT * FROM job WHERE id = ?", job)
        if not rows:
            raise KeyError(job)
        return self._job(rows[0])

    def revision(self, job: str, number: int) -> JobRevision:
        """Raises KeyError."""
        rows = self._rows("SELECT * FROM revision WHERE job = ? AND number = ?", job, number)
        if not rows:
            raise KeyError(f"{job} revision {number}")
        return _revision(rows[0])

    def find(self, words: str = "", limit: int = 200) -> list[Job]:
        """Jobs whose file or part names hold every word, the latest first."""
        likes = ["%" + re.sub(r"([%_!])", r"!\1", word) + "%" for word in words.split()]
        where = " AND ".join(["(name LIKE ? ESCAPE '!' OR parts LIKE ? ESCAPE '!')"] * len(likes)) or "1"
        given = [like for like in likes for _ in range(2)]
        order = "ORDER BY created DESC, rowid DESC LIMIT ?"
        return [self._job(r) for r in self._rows(f"SELECT * FROM job WHERE {where} {order}", *given, limit)]

    def ids_called(self, name: str) -> list[str]:
        """Jobs whose file is called so, with or without its ending, the latest first."""
        known = [name.casefold() + end for end in ("", ".step", ".stp", ".p21")]
        query = "SELECT id FROM job WHERE lower(name) IN (?, ?, ?, ?) ORDER BY created DESC, rowid DESC"
        return [row["id"] for row in self._rows(query, *known)]

    def ids_of_file(self, sha256: str) -> list[str]:
        """Jobs one of whose drawings is a file whose SHA-256 begins so, the latest first."""
        rows = self._rows(
            "SELECT DISTINCT job.id FROM job JOIN drawing ON drawing.job = job.id "
            "WHERE substr(drawing.sha256, 1, ?) = ? ORDER BY job.created DESC, job.rowid DESC",
            len(sha256),
            sha256,
        )
        return [row["id"] for row in rows]

    def listed(self) -> list[Listed]:
        """Every job with its last revision, the latest job first, at one asking."""
        rows = self._rows(
            "SELECT job.id, name, job.created, parts, note, standing, pieces, margin_percent, similar, "
            "number, state, stage, share, error, summary, who, drawing "
            "FROM job JOIN revision ON revision.job = job.id "
            "AND number = (SELECT MAX(number) FROM revision WHERE revision.job = job.id) "
            "ORDER BY job.created DESC, job.rowid DESC"
        )
        return [
            Listed(
                **dict(row)
                | {
                    "parts": tuple(json.loads(row["parts"])),
                    "state": State(row["state"]),
                    "summary": json.loads(row["summary"]),
                    "similar": json.loads(row["similar"]),
                }
            )
            for row in rows
        ]

    def stand(self, job: str, **known: str | float) -> None:
        """Sets note, standing, pieces or margin_percent. Raises KeyError."""
        self.job(job)
        columns = ", ".join(f"{name} = ?" for name in known)  # our own words, never a visitor's
        self._do(f"UPDATE job SET {columns} WHERE id = ?", *known.values(), job)

    def log(
        self,
        who: str,
        what: str,
        job: Job | None,
        number: int | None = None,
        before: Mapping[str, Any] | None = None,
        after: Mapping[str, Any] | None = None,
    ) -> None:
        """Keeps who did what, and the choices before and after; it outlives the job. None: of no job."""
        of, called = (job.id, job.name) if job else ("", "")
        self._do(
            "INSERT INTO log (at, who, what, job, name, number, before, after) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            *(_now(), who, what, of, called, number, json.dumps(before or {}), json.dumps(after or {})),
        )

    def logged(self, job: str = "", limit: int = 500) -> list[dict[str, Any]]:
        """What was done, the latest first; of one job where it is named."""
        rows = self._rows("SELECT * FROM log WHERE ? IN ('', job) ORDER BY rowid DESC LIMIT ?", job, limit)
        return [dict(row) | {key: json.loads(row[key]) for key in ("before", "after")} for row in rows]

    def waiting(self) -> list[JobRevision]:
        """Revisions that a server before this one accepted but did not begin, the oldest first."""
        rows = self._rows("SELECT * FROM revision WHERE state = ? ORDER BY created, rowid", State.WAITING)
        return [_revision(row) for row in rows]

    def remove(self, job: str) -> None:
        """Forgets a job and deletes its files."""
        self._do("DELETE FROM job WHERE id = ?", job)
        shutil.rmtree(self.place(job), ignore_errors=True)

    def place(self, job: str) -> Path:
        """The job's folder; raises KeyError for what cannot be an id of ours."""
        if not _ID.fullmatch(job):
            raise KeyError(job)
        return self.jobs_folder / job

    def model(self, job: str, drawing: int = 1) -> Path:
        """The customer's file."""
        return self.place(job) / (MODEL if drawing == 1 else f"model_{drawing:d}.step")

    def view(self, job: str, drawing: int = 1) -> Path:
        """The folder of what can be seen of it."""
        return self.place(job) / ("view" if drawing == 1 else f"view_{drawing:d}")

    def result(self, job: str, number: int) -> Path:
        """The folder of a revision's result."""
        return self.place(job) / f"r{number:d}"

    def dropped(self, job: str, number: int) -> Path:
        """The mark for the worker that a running revision need not be finished."""
        return self.place(job) / f"r{number:d}.dropped"

    def _job(self, row: sqlite3.Row) -> Job:
        revisions = self._rows("SELECT * FROM revision WHERE job = ? ORDER BY number", row["id"])
        known = dict(row) | {"parts": tuple(json.loads(row["parts"])), "similar": json.loads(row["similar"])}
        drawings = self._rows(
            "SELECT number, name, sha256, bytes, created, parts FROM drawing WHERE job = ? ORDER BY number",
            row["id"],
        )
        known["drawings"] = tuple(dict(d) | {"parts": json.loads(d["parts"])} for d in drawings)
        blanks = self._rows("SELECT file, name, bytes FROM blank WHERE job = ? ORDER BY rowid", row["id"])
        return Job(**known, revisions=tuple(map(_revision, revisions)), blanks=tuple(map(dict, blanks)))

    def _rows(self, query: str, *values: Any) -> list[sqlite3.Row]:
        with self._lock:
            return self._db.execute(query, values).fetchall()

    def _do(self, query: str, *values: Any) -> None:
        with self._lock, self._db:
            self._db.execute(query, values)


def _revision(row: sqlite3.Row) -> JobRevision:
    known = dict(row)
    for key in ("choices", "summary"):
        known[key] = json.loads(known[key])
    return JobRevision(**known | {"state": State(known["state"]), "sure": bool(known["sure"])})


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def is_full(error: BaseException) -> bool:
    """Whether it is the disk that is full, be it of files or of the list of jobs."""
    return system.is_full(error) or getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")

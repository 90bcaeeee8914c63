"""Minutes that steps took, from a table of a shop's own and back: good rows are kept, bad ones are told."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from routing.jobs.errors import SetupError
from routing.web.kept import Route, finished, job_called, route_of, step_of_code
from routing.web.records import Job, JobRevision
from routing.web.store import Store
from routing.web.taken import MOST_PIECES, Entry, StepMinutes, TakenError, minutes_of

COLUMNS = ("job", "file", "revision", "part", "step", "work", "pieces", "batch", "minutes", "code")
_SEPARATORS = (";", "\t", ",")
_MOST_BYTES, _MOST_SHOWN = 5_000_000, 60
# What a table's program would work out; our own CSV marks such text with an apostrophe.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class TableError(SetupError):
    """A file that is no table of minutes."""


@dataclass(frozen=True)
class Refused:
    """``why`` is one line with the cure."""

    line: int
    why: str


@dataclass(frozen=True)
class TableKept:
    """How many rows were kept, how many said no minutes, and what is wrong with the rest."""

    rows: int
    empty: int
    refused: tuple[Refused, ...]


def enter_table(store: Store, data: bytes, who: str = "") -> TableKept:
    """Keeps every good row of a CSV; given again, with the bad ones mended, nothing counts twice.

    The first line names the columns: minutes and step with job (its id, or the name of its file), or code.
    Raises TableError for what is no such table.
    """
    empty = 0
    good, refused = list[StepMinutes](), list[Refused]()
    looked = _Looked(store)
    for line, row in _rows(data):
        if not row.get("minutes"):
            empty += 1
            continue
        try:
            good.append(looked.minutes(row, who))
        except (TakenError, _RowError) as error:
            refused.append(Refused(line, f"line {line}: {error}"))
    for was, now in zip(store.taken.put(good), good, strict=True):
        if was is not None:
            log_change(store, store.job(now.job), was, now, who)
    if good:
        store.log(who, "took table", None, None, None, {"rows": len(good)})
    return TableKept(len(good), empty, tuple(refused))


def log_change(
    store: Store, job: Job, was: StepMinutes | None, now: StepMinutes | None, who: str = ""
) -> None:
    """What was said of a step before and now, where that differs."""
    before, after = (
        {"step": t.step, "batch": t.batch, "minutes": t.taken_min} if t else {} for t in (was, now)
    )
    said = now or was
    if said is not None and before != after:
        store.log(who, "took", job, said.number, before, after)


def as_table(rows: Iterable[StepMinutes]) -> str:
    """What is kept, with the columns that are read; RFC 4180."""
    return _written(
        [t.job, t.name, t.number, t.part, t.step, f"{t.stage}, {t.process}", t.pieces, t.batch,
         f"{t.taken_min:.10g}", ""]
        for t in rows
    )  # fmt: skip


def sheet_of(store: Store, job: Job) -> str:
    """The steps of a job's last result with minutes to be filled in."""
    return _written(_steps(store, job))


def _steps(store: Store, job: Job) -> Iterator[list[object]]:
    revision = next(finished(job), None)
    for part, told in enumerate(revision.summary["parts"] if revision else ()):
        assert revision is not None
        for o in route_of(store, revision, part)["operations"]:
            work = f"{o['stage']}, {o['process']}"
            pieces = job.pieces * told["count"]
            yield [job.id, job.name, revision.number, part, o["number"], work, pieces, "", "", ""]


def _written(rows: Iterable[list[object]]) -> str:
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(COLUMNS)
    for row in rows:
        table.writerow([f"'{c}" if isinstance(c, str) and c.startswith(_FORMULA) else c for c in row])
    return text.getvalue()


def _rows(data: bytes) -> Iterator[tuple[int, dict[str, str]]]:
    """The number of each line that holds a row, and its cells by column."""
    if len(data) > _MOST_BYTES:
        raise TableError(f"the table has {len(data) / 1e6:.1f} MB: hand it in by parts of 5 MB.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")  # as a table's program of an office saves it
    first = text.partition("\n")[0]
    separator = next((s for s in _SEPARATORS if s in first), ",")
    # A quote that is never closed would swallow the rows after it: a row is a line here.
    lines = csv.reader(text.splitlines(), delimiter=separator)
    try:
        heads = [h.strip().casefold() for h in next(lines, [])]
    except csv.Error:
        heads = []
    if "minutes" not in heads or not ("code" in heads or {"job", "step"} <= set(heads)):
        raise TableError(
            "the first line of the table must name the columns: minutes with job and step, or with code."
        )
    while True:
        try:
            cells = next(lines)
        except StopIteration:
            return
        except csv.Error:
            continue
        if any(c.strip() for c in cells):
            found = {h: c.strip() for h, c in zip(heads, cells, strict=False)}
            yield lines.line_num, found | {"decimal comma": "" if separator == "," else "yes"}


class _RowError(Exception):
    """A row that cannot be kept."""


class _Looked:
    """Jobs and steps as rows name them, each looked up once."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._jobs: dict[str, Job] = {}
        self._routes: dict[tuple[str, int, int], Route] = {}

    def minutes(self, row: Mapping[str, str], who: str) -> StepMinutes:
        """Raises _RowError or TakenError."""
        if row.get("code"):
            try:
                found = step_of_code(self._store, row["code"])
            except KeyError:
                raise _RowError(
                    f"code {_shown(row['code'])}: no plan here has it: scan it again, or write job and step."
                ) from None
            job, revision, part, step = found.job, found.revision, found.part, found.step
        else:
            job = self._job(row.get("job", ""))
            revision = self._revision(job, row.get("revision", ""))
            part = self._part(revision, row.get("part", ""))
            step = _whole(row, "step", None)
        pieces = _whole(row, "pieces", job.pieces * int(revision.summary["parts"][part]["count"]))
        batch = row.get("batch", "").lstrip("'")
        entry = Entry(job.id, revision.number, part, step, _minutes(row), pieces, batch)
        key = (job.id, revision.number, part)
        if key not in self._routes:
            try:
                self._routes[key] = route_of(self._store, revision, part)
            except KeyError:
                raise _RowError(f"job {_shown(job.name)}: its result is gone: run it again.") from None
        return minutes_of(entry, job.name, self._routes[key], who)

    def _job(self, name: str) -> Job:
        if name not in self._jobs:
            try:
                self._jobs[name] = job_called(self._store, name.removeprefix("'"))
            except KeyError as error:
                many = error.args[0]
                if many:
                    raise _RowError(
                        f"job {_shown(name)}: {many} jobs have a file of this name: write the id."
                    ) from None
                raise _RowError(
                    f"job {_shown(name)}: there is no such job: write its id or its file's name."
                ) from None
        return self._jobs[name]

    def _revision(self, job: Job, text: str) -> JobRevision:
        done = list(finished(job))
        if not done:
            raise _RowError(f"job {_shown(job.name)}: it has no result yet: wait until it is done.")
        if not text:
            return done[0]
        found = next((r for r in done if str(r.number) == text.removeprefix("r")), None)
        if found is None:
            known = ", ".join(str(r.number) for r in reversed(done))
            raise _RowError(f"revision {_shown(text)}: write one of {known}, or nothing for the last.")
        return found

    def _part(self, revision: JobRevision, text: str) -> int:
        parts = revision.summary["parts"]
        named = [n for n, p in enumerate(parts) if text in (str(n), p["name"])]
        if not text and len(parts) == 1:
            return 0
        if len(named) != 1:
            raise _RowError(f"part {_shown(text)}: write its number, 0 to {len(parts) - 1}, or its name.")
        return named[0]


def _minutes(row: Mapping[str, str]) -> float:
    text = row["minutes"]
    if row["decimal comma"] and re.fullmatch(r"\d+,\d+", text):
        text = text.replace(",", ".")
    try:
        found = float(text) if text.isascii() and "_" not in text else math.nan
    except ValueError:
        found = math.nan
    if not 0 < found < math.inf:
        raise _RowError(f"minutes {_shown(row['minutes'])}: write a number over 0, such as 12.5.")
    return found


def _whole(row: Mapping[str, str], name: str, default: int | None) -> int:
    text = row.get(name, "")
    if not text and default is not None:
        return default
    if not (text.isascii() and text.isdecimal() and 1 <= int(text[:9]) <= MOST_PIECES):
        raise _RowError(f"{name} {_shown(text)}: write a whole number from 1.")
    return int(text)


def _shown(text: str) -> str:
    """What was written, in one short line."""
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return f'"{plain[:_MOST_SHOWN]}{"…" * (len(plain) > _MOST_SHOWN)}"'

"""Where files are taken in and results come back: what batches and watches share."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from routing.export.exporters.route_file import ROUTE
from routing.inputs.choices import Choices, ChoicesError
from routing.jobs.batch import summary
from routing.jobs.batch.ledger import Ledger, Record, Status
from routing.jobs.batch.task import FileTask, record_of, routed
from routing.jobs.cache import ResultCache
from routing.jobs.errors import OutputError
from routing.jobs.job_inputs import Inputs, sha256_of
from routing.jobs.staging import sweep
from routing.jobs.workers.pool import Limits, Outcome

if TYPE_CHECKING:
    from routing.processes.shop import Shop

SUFFIXES = (".step", ".stp")
_DEEPEST = 64


class Executor(Protocol):
    """Does tasks: a pool on this machine, or a cluster."""

    @property
    def size(self) -> int: ...
    @property
    def backlog(self) -> int: ...
    def busy(self) -> list[str]: ...
    def submit(self, task: Any) -> None: ...
    def finished(self, timeout_s: float) -> list[Outcome]: ...


def step_files(folder: Path, out: Path, *, recursive: bool) -> Iterator[tuple[str, Path]]:
    """(name relative to the folder, path) of its STEP files, in the order of their names.

    Hidden files, ``out`` and results of earlier runs (folders with a route file) are passed over.
    """
    found = sorted(_walk(folder, out.resolve(), _DEEPEST if recursive else 0))
    yield from ((path.relative_to(folder).as_posix(), path) for path in found)


def _walk(folder: Path, out: Path, depth: int) -> Iterator[Path]:
    try:
        entries = list(os.scandir(folder))
    except OSError:  # gone or closed to us
        return
    for entry in entries:
        path = Path(entry.path)
        if entry.name.startswith("."):
            continue
        if entry.is_dir():
            is_result = path.resolve() == out or (path / ROUTE).exists()
            if depth and not is_result and not entry.is_symlink():
                yield from _walk(path, out, depth - 1)
        elif path.suffix.lower() in SUFFIXES and entry.is_file():
            yield path


@dataclass
class Dispatcher:
    """``choose`` gives the choices for a file, or raises ChoicesError; ``again`` does failed files again."""

    out: Path
    choose: Callable[[Path], Choices]
    shop: Shop
    ledger: Ledger
    executor: Executor
    limits: Limits
    cache: ResultCache | None = None
    # Whether the executor's workers reach our cache; otherwise results are kept from here.
    cache_in_workers: bool = True
    again: bool = False
    at_work: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.out = self.out.absolute()
        for folder in {self.out, *((self.out / r.folder).parent for r in self.ledger.records.values())}:
            sweep(folder)

    def offer(self, name: str, model: Path) -> Record | None:
        """Takes a file in: its record when nothing is to be done, None when a worker will do it."""
        folder = self._folder_for(name)
        try:
            choices = self.choose(model)
            digest = sha256_of(model)
        except (ChoicesError, OSError) as error:
            message = f"cannot be read ({error.strerror})" if isinstance(error, OSError) else str(error)
            return self._add(Record(name, folder, "", Status.FAILED, message))
        key = Inputs.of(model.name, digest, choices, self.shop).digest
        old = self.ledger.records.get(name)
        if old is not None and self._holds(old, key):
            return old
        out_dir = self.out / folder
        try:
            if self.cache is not None and (kept := self.cache.fetch(key, out_dir)) is not None:
                return self._add(routed(name, folder, key, kept, cached=True))
        except OutputError as error:
            return self._add(Record(name, folder, "", Status.FAILED, str(error)))
        cache = self.cache if self.cache_in_workers else None
        task = FileTask(name, model.absolute(), folder, out_dir, digest, key, choices, self.shop, cache)
        self.at_work.add(name)
        self.executor.submit(task)
        return None

    def collect(self, timeout_s: float) -> list[Record]:
        """What has come back, recorded."""
        return [self._add(self._checked(outcome)) for outcome in self.executor.finished(timeout_s)]

    def _checked(self, outcome: Outcome) -> Record:
        record = record_of(outcome, self.limits)
        if record.status.routed and not (self.out / record.folder).is_dir():
            message = f"{self.out / record.folder} was not seen here: workers must share the folder"
            return Record(record.name, record.folder, "", Status.FAILED, message)
        return record

    def _add(self, record: Record) -> Record:
        self.at_work.discard(record.name)
        self.ledger.add(record)
        return record

    def _holds(self, old: Record, key: str) -> bool:
        """Whether an earlier record still says what would come out."""
        if old.key != key:
            return False
        if old.status.routed:
            return (self.out / old.folder).is_dir()
        if self.again:
            return False
        now = {Status.TIMED_OUT: self.limits.time_s, Status.OUT_OF_MEMORY: self.limits.memory_mb}
        return old.limit is None or now[old.status] <= old.limit

    def _folder_for(self, name: str) -> str:
        """A folder that no other file has, and that lies in no other's: results replace whole folders."""
        if (old := self.ledger.records.get(name)) is not None:
            return old.folder
        taken = {_parts(r.folder) for r in self.ledger.records.values()} | {
            _parts(folder) for folder in self._promised.values()
        }
        path = Path(name)
        flat = name.replace("/", "_")  # where even the folder around it is another file's result
        tries = [path.parent / path.stem, path, Path(flat), *(Path(f"{flat}-{n}") for n in range(2, 1000))]
        for place in tries:
            folder = f"{place.as_posix()}-route"
            if not _clashes(_parts(folder), taken):
                self._promised[name] = folder
                return folder
        raise OutputError(f"no free folder for {name} in {self.out}: choose another -o.")

    _promised: dict[str, str] = field(default_factory=dict)

    def summarise(self, names: list[str]) -> list[Record]:
        """Writes summary.csv and summary.html of these files, in the order of their names."""
        records = [self.ledger.records[n] for n in sorted(names) if n in self.ledger.records]
        summary.write(self.out, records)
        return records


def _parts(folder: str) -> tuple[str, ...]:
    # Some file systems do not tell capitals from small letters.
    return tuple(part.casefold() for part in Path(folder).parts)


def _clashes(folder: tuple[str, ...], taken: set[tuple[str, ...]]) -> bool:
    above = {folder[:n] for n in range(1, len(folder) + 1)}
    return bool(above & taken) or any(other[: len(folder)] == folder for other in taken)

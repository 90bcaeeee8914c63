"""What has been done, a line for each file, so that a batch goes on where it was killed."""

from __future__ import annotations

import errno
import json
import os
from contextlib import suppress
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from featurize.system import try_lock
from routing.jobs.errors import OutputError

NAME = "batch.jsonl"


class Status(StrEnum):
    OK = "ok"
    BLOCKED = "blocked"  # routed, and a flag says that it cannot be made as it is
    FAILED = "failed"  # the file, its choices or its folder cannot be used
    CRASHED = "crashed"
    TIMED_OUT = "timed out"
    OUT_OF_MEMORY = "out of memory"
    FAULT = "fault"  # of the program

    @property
    def routed(self) -> bool:
        return self in (Status.OK, Status.BLOCKED)


@dataclass(frozen=True)
class Record:
    """``name`` is the file's, relative to the batch's folder, with slashes; ``folder`` its result's, relative
    to the output; ``key`` what the result depends on. ``parts`` are rows of the summary.
    ``limit`` is what a stopped one was stopped at: seconds or megabytes."""

    name: str
    folder: str
    key: str
    status: Status
    message: str = ""
    parts: tuple[dict[str, Any], ...] = ()
    notes: tuple[str, ...] = ()
    seconds: float = 0.0
    peak_mb: float = 0.0
    cached: bool = False
    limit: float | None = None


class Ledger:
    """The records of an output folder, the latest of each file; held by one batch at a time.

    A line is appended with one write and is on the disk before the next file is done; a line that a kill
    left torn is cut off. Raises OutputError when another batch holds it or it cannot be written.
    """

    def __init__(self, out: Path) -> None:
        self._path = path = out / NAME
        try:
            out.mkdir(parents=True, exist_ok=True)
            self._file = path.open("a+b", buffering=0)
        except OSError as error:
            raise OutputError(f"{path} cannot be written ({error.strerror}): choose another -o.") from error
        if try_lock(self._file) is False:
            self._file.close()
            raise OutputError(f"another batch is at work in {out}: choose another -o.")
        self._file.seek(0)
        content = self._file.read()
        whole = content.rfind(b"\n") + 1
        if whole < len(content):
            self._file.truncate(whole)
        self.records: dict[str, Record] = {}
        for line in content[:whole].splitlines():
            with suppress(ValueError, TypeError):
                record = _record(json.loads(line))
                self.records[record.name] = record

    def add(self, record: Record) -> None:
        """Raises OutputError when it cannot be written; half a line is cut off at the next start."""
        self.records[record.name] = record
        line = json.dumps(asdict(record)).encode() + b"\n"
        try:
            if self._file.write(line) != len(line):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(self._file.fileno())
        except OSError as error:
            raise OutputError(
                f"{self._path} cannot be written ({error.strerror}): make room there."
            ) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()


def _record(content: dict[str, Any]) -> Record:
    known = {f.name for f in fields(Record)}
    given: dict[str, Any] = {
        k: tuple(v) if isinstance(v, list) else v for k, v in content.items() if k in known
    }
    return Record(**given | {"status": Status(given["status"])})

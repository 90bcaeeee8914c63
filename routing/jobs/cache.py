"""Whole results on disk, kept by what they came from: the same inputs and program give the same folder.

An entry is one file: a line with the SHA-256 of the rest, then a ZIP archive. So it appears at once,
damage is seen, its size is the file's and the time of its last use the file's too. Whoever can write to the
folder can forge what is in a result, but only files that a job may write, and only inside the result.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import tempfile
import time
import zipfile
from contextlib import suppress
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from featurize import system
from routing.export.exporters import all_files
from routing.export.exporters.route_file import ROUTE
from routing.inputs.choices import Choices
from routing.jobs.extent import WHOLE, Extent
from routing.jobs.job import Answered, run_job
from routing.jobs.job_inputs import Inputs, sha256_of
from routing.jobs.progress import Report
from routing.jobs.result import JobResult, PartResult
from routing.jobs.staging import staged_folder

if TYPE_CHECKING:
    from routing.processes.shop import Shop

LIMIT_BYTES = 2 * 2**30
_MANIFEST = "result.json"
_FILES = "files/"
_SUFFIX, _TEMPORARY = ".zip", ".tmp"
# Longer than any write takes.
_WRITING_S = 600.0
# The name of a folder or file that a job makes, on any system (``job.folder_names``).
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")


def default_folder() -> Path:
    """Within the user's cache folder."""
    return system.cache_folder() / "dieroute" / "results"


@dataclass(frozen=True)
class ResultCache:
    """Over ``limit_bytes`` what was least recently used goes. Never raises for its own folder's faults."""

    folder: Path
    limit_bytes: int = LIMIT_BYTES

    def fetch(self, key: str, out_dir: Path) -> JobResult | None:
        """Puts a kept result into ``out_dir``; None where none can be trusted (it is then gone).

        Raises OutputError when ``out_dir`` cannot take it.
        """
        entry = self._read(key)
        if entry is None:
            return None
        manifest, files = entry
        with staged_folder(out_dir, all_files()) as folder:
            for name, content in files.items():
                file = folder / name
                file.parent.mkdir(exist_ok=True)
                file.write_bytes(content)
        with suppress(OSError):
            os.utime(self._entry(key))
        parts = [
            PartResult(place, count, json.loads(files[_joined(place, ROUTE)]))
            for place, count in manifest["parts"]
        ]
        return JobResult(tuple(parts), tuple(map(str, manifest["notes"])))

    def keep(self, key: str, folder: Path, result: JobResult) -> None:
        """Keeps what a job wrote into ``folder``; silently not, where the cache cannot be written."""
        manifest = {"parts": [[p.folder, p.count] for p in result.parts], "notes": list(result.notes)}
        stream = io.BytesIO()
        with suppress(OSError):
            with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
                archive.writestr(_MANIFEST, json.dumps(manifest))
                for file in sorted(folder.rglob("*")):
                    if file.is_file():
                        archive.write(file, _FILES + file.relative_to(folder).as_posix())
            content = stream.getvalue()
            self.folder.mkdir(parents=True, exist_ok=True)
            _write(self._entry(key), hashlib.sha256(content).hexdigest().encode() + b"\n" + content)
            self._make_room(key)

    def _entry(self, key: str) -> Path:
        return self.folder / f"{key}{_SUFFIX}"

    def _read(self, key: str) -> tuple[dict[str, Any], dict[str, bytes]] | None:
        """The manifest and the files by name; an entry that no job can have written is removed."""
        try:
            content = self._entry(key).read_bytes()
        except OSError:
            return None
        digest, _, archive = content.partition(b"\n")
        with suppress(ValueError, KeyError, TypeError, zipfile.BadZipFile, NotImplementedError):
            if hashlib.sha256(archive).hexdigest().encode() != digest:
                raise ValueError("damaged")
            return _unpacked(archive, self.limit_bytes)
        with suppress(OSError):
            self._entry(key).unlink()
        return None

    def _make_room(self, newest: str) -> None:
        entries = []
        for file in os.scandir(self.folder):
            with suppress(OSError):  # another process may be making room too
                if file.name.endswith(_TEMPORARY) and time.time() - file.stat().st_mtime > _WRITING_S:
                    Path(file.path).unlink()  # whoever wrote it was killed
                elif file.name.endswith(_SUFFIX):
                    entries.append((file.stat().st_mtime_ns, file.stat().st_size, Path(file.path)))
        over = sum(size for _, size, _ in entries) - self.limit_bytes
        for _, size, path in sorted(entries):
            if over <= 0:
                return
            if path != self._entry(newest):
                path.unlink(missing_ok=True)
                over -= size


def _unpacked(archive: bytes, limit_bytes: int) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Raises ValueError, KeyError, TypeError or BadZipFile for what a job cannot have written."""
    with zipfile.ZipFile(io.BytesIO(archive)) as stored:
        if sum(info.file_size for info in stored.infolist()) > limit_bytes:
            raise ValueError("too large")
        manifest = json.loads(stored.read(_MANIFEST))
        places = [place for place, count in manifest["parts"] if isinstance(count, int)]
        files = {n.removeprefix(_FILES): n for n in stored.namelist() if n != _MANIFEST}
        for name in files:
            path = name.split("/")
            inside = all(map(_NAME.fullmatch, path)) and (places == ["."] or path[0] in places)
            if not (inside and any(fnmatchcase(path[-1], pattern) for pattern in all_files())):
                raise ValueError(name)
        if missing := {_joined(place, ROUTE) for place in places} - files.keys():
            raise KeyError(*missing)
        return manifest, {name: stored.read(packed) for name, packed in files.items()}


def _joined(place: str, name: str) -> str:
    return name if place == "." else f"{place}/{name}"


def cached_run(
    model: Path,
    out_dir: Path,
    choices: Choices,
    shop: Shop,
    report: Report = lambda text, share: None,
    *,
    time_limit_s: float | None = None,
    cache: ResultCache | None = None,
    answered: Answered = lambda part: None,
    extent: Extent = WHOLE,
) -> JobResult:
    """``run_job``, or its kept result with a note that says so; without a cache just ``run_job``.

    What has no papers or is not machined on paper is no whole result, and what was tried to make it cheaper
    is more than one: they are not kept.
    """
    args = model, out_dir, choices, shop, report
    run = partial(run_job, *args, time_limit_s=time_limit_s, answered=answered, extent=extent)
    inputs = None
    if cache is not None and extent == WHOLE:
        with suppress(OSError):  # the job itself says what cannot be read
            inputs = Inputs.of(model.name, sha256_of(model), choices, shop)
    if cache is None or inputs is None:
        return run()
    if (kept := cache.fetch(inputs.digest, out_dir)) is not None:
        note = "nothing has changed since an earlier run: its result was copied from the cache"
        return JobResult(kept.parts, (*kept.notes, note))
    keep = Keeper(cache, inputs.digest, inputs.sha256)
    return run(keep=keep)


@dataclass(frozen=True)
class Keeper:
    """Keeps a result under ``key`` where it is of the very content that was asked for: a file may change."""

    cache: ResultCache
    key: str
    sha256: str

    def __call__(self, folder: Path, result: JobResult) -> None:
        if is_of(result, self.sha256):
            self.cache.keep(self.key, folder, result)


def is_of(result: JobResult, digest: str) -> bool:
    """Whether the job read a file of that SHA-256."""
    return all(part.route["part"]["sha256"] == digest for part in result.parts)


def _write(path: Path, content: bytes) -> None:
    handle, temporary = tempfile.mkstemp(prefix=".", suffix=_TEMPORARY, dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise

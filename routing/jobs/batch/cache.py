"""Results kept by what they came from: the same file, choices, shop and program give the same folder.

An entry is one file: a line with the SHA-256 of the rest, then a ZIP archive. So it appears at once,
damage is seen, its size is the file's and the time of its last use the file's too.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import sys
import tempfile
import time
import zipfile
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cache as once
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

from routing.export.exporters import all_files
from routing.export.exporters.route_file import ROUTE
from routing.inputs.choices import BLANKS, Choices
from routing.jobs.job import Report, run_job
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
# What results depend on besides our own source.
_LIBRARIES = ("dieroute", "cadquery-ocp", "numpy", "scipy", "shapely")


def default_folder() -> Path:
    """The user's cache folder (XDG base directories, or what the system has instead)."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local"
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:
        base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "dieroute" / "results"


@once
def program() -> str:
    """The program's own fingerprint: its source, and the versions of what it computes with."""
    digest = hashlib.sha256()
    root = Path(__file__).resolve().parents[3]
    for room in ("featurize", "routing"):
        for file in sorted((root / room).rglob("*")):
            if file.is_file() and "__pycache__" not in file.parts:
                digest.update(f"{file.relative_to(root).as_posix()} {sha256(file)}\n".encode())
    for name in _LIBRARIES:
        with suppress(PackageNotFoundError):
            digest.update(f"{name} {version(name)}\n".encode())
    return digest.hexdigest()


def sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def key_of(name: str, digest: str, choices: Choices, shop: Shop) -> str:
    """What a result depends on; ``name`` and ``digest`` are the STEP file's, and both stand in the result.

    Raises OSError when the blank's STEP file cannot be read.
    """
    blank = None if choices.blank in BLANKS else sha256(Path(choices.blank))
    content = [name, digest, asdict(choices), blank, asdict(shop), program()]
    return hashlib.sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()


@dataclass(frozen=True)
class Cache:
    """Over ``limit_bytes`` what was least recently used goes. Never raises for its own folder's faults."""

    folder: Path
    limit_bytes: int = LIMIT_BYTES

    def fetch(self, key: str, out_dir: Path) -> JobResult | None:
        """Puts a kept result into ``out_dir``; None when there is none, or it is damaged (and then gone).

        Raises OutputError when ``out_dir`` cannot take it.
        """
        archive = self._read(key)
        if archive is None:
            return None
        with zipfile.ZipFile(archive) as stored, staged_folder(out_dir, all_files()) as folder:
            manifest = json.loads(stored.read(_MANIFEST))
            for name in stored.namelist():
                if name.startswith(_FILES):
                    file = folder / name.removeprefix(_FILES)
                    file.parent.mkdir(parents=True, exist_ok=True)
                    file.write_bytes(stored.read(name))
            parts = [
                PartResult(place, count, json.loads((folder / place / ROUTE).read_text(encoding="utf-8")))
                for place, count in manifest["parts"]
            ]
        with suppress(OSError):
            os.utime(self._entry(key))
        return JobResult(tuple(parts), tuple(manifest["notes"]))

    def keep(self, key: str, out_dir: Path, result: JobResult) -> None:
        """Keeps what a job put into ``out_dir``; silently not, where the cache cannot be written."""
        manifest = {"parts": [[p.folder, p.count] for p in result.parts], "notes": list(result.notes)}
        stream = io.BytesIO()
        with suppress(OSError):
            with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
                archive.writestr(_MANIFEST, json.dumps(manifest))
                for file in sorted(out_dir.rglob("*")):
                    if file.is_file():
                        archive.write(file, _FILES + file.relative_to(out_dir).as_posix())
            content = stream.getvalue()
            self.folder.mkdir(parents=True, exist_ok=True)
            _write(self._entry(key), hashlib.sha256(content).hexdigest().encode() + b"\n" + content)
            self._make_room(key)

    def _entry(self, key: str) -> Path:
        return self.folder / f"{key}{_SUFFIX}"

    def _read(self, key: str) -> io.BytesIO | None:
        try:
            content = self._entry(key).read_bytes()
        except OSError:
            return None
        digest, _, archive = content.partition(b"\n")
        if hashlib.sha256(archive).hexdigest().encode() == digest:
            return io.BytesIO(archive)
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


def cached_run(
    model: Path,
    out_dir: Path,
    choices: Choices,
    shop: Shop,
    report: Report = lambda text, share: None,
    *,
    time_limit_s: float | None = None,
    cache: Cache | None = None,
) -> JobResult:
    """``run_job``, or its kept result with a note that says so; without a cache just ``run_job``."""
    key = None
    if cache is not None:
        with suppress(OSError):  # the job itself says what cannot be read
            digest = sha256(model)
            key = key_of(model.name, digest, choices, shop)
    if cache is None or key is None:
        return run_job(model, out_dir, choices, shop, report, time_limit_s=time_limit_s)
    if (kept := cache.fetch(key, out_dir)) is not None:
        note = "nothing has changed since an earlier run: its result was copied from the cache"
        return JobResult(kept.parts, (*kept.notes, note))
    result = run_job(model, out_dir, choices, shop, report, time_limit_s=time_limit_s)
    if is_of(result, digest):
        cache.keep(key, out_dir, result)
    return result


def is_of(result: JobResult, digest: str) -> bool:
    """Whether the job read the very content that was asked for; a file may change meanwhile."""
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

"""Nothing half-written: a folder appears under its name only when everything in it is there."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from fnmatch import fnmatchcase
from pathlib import Path


class OutputError(Exception):
    """The result cannot go where it was asked to. ``str()`` is one line."""


@contextmanager
def staged_folder(target: Path, replaceable: Collection[str]) -> Iterator[Path]:
    """A temporary folder beside ``target`` that takes its name at the end, and is gone after any error.

    A folder that is already there is replaced when every file in it bears one of the names or
    patterns in ``replaceable``, that is, came from an earlier run; OutputError protects everything else.
    """
    target = target.absolute()
    _check(target, replaceable)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    except OSError as error:
        raise OutputError(
            f"{target.parent} cannot be written to ({error.strerror}): choose another -o."
        ) from error
    try:
        new, old = work / "new", work / "old"
        new.mkdir()
        yield new
        _check(target, replaceable)  # something may have been put there meanwhile
        if target.exists():
            target.rename(old)
        new.rename(target)
    finally:
        if not target.exists() and (work / "old").exists():
            (work / "old").rename(target)
        shutil.rmtree(work, ignore_errors=True)


def _check(target: Path, replaceable: Collection[str]) -> None:
    if not target.exists():
        return
    if not target.is_dir():
        raise OutputError(f"{target} is a file, not a folder: choose another -o.")
    for file in sorted(target.rglob("*")):
        if file.is_symlink() or (not file.is_dir() and not _named(file, replaceable)):
            raise OutputError(
                f"{target} holds {file.relative_to(target)}, which this program did not write: "
                "move it away or choose another -o."
            )


def _named(file: Path, patterns: Collection[str]) -> bool:
    return any(fnmatchcase(file.name, pattern) for pattern in patterns)

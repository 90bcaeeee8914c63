"""Nothing half-written: a folder appears under its name only when everything in it is there."""

from __future__ import annotations

import secrets
import shutil
import time
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from fnmatch import fnmatchcase
from pathlib import Path
from typing import IO

try:
    import fcntl
except ImportError:  # no such locks there: what a killed process left is then not swept
    fcntl = None  # type: ignore[assignment]
_LOCKS = fcntl is not None

# Work goes on in ".NAME.dieroute-XXXXXXXX" beside NAME, so that a later run knows what was meant to be NAME.
_MARK = ".dieroute-"
_LOCK, _NEW_LOCK = "lock", "lock.new"
# A folder without a lock is this old before it counts as left: its maker needs microseconds to lock it.
_UNLOCKED_S = 60.0


class OutputError(Exception):
    """The result cannot go where it was asked to. ``str()`` is one line."""


@contextmanager
def staged_folder(target: Path, replaceable: Collection[str]) -> Iterator[Path]:
    """A temporary folder beside ``target`` that takes its name at the end, and is gone after any error.

    A folder that is already there is replaced when every file in it bears one of the names or
    patterns in ``replaceable``, that is, came from an earlier run; OutputError protects everything else.
    What killed processes left beside it is swept first.
    """
    target = target.absolute()
    _check(target, replaceable)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        sweep(target.parent)
    except OSError as error:
        raise _unwritable(target, error) from error
    # Named before it is made: a signal in between leaves nothing.
    work = target.parent / f".{target.name}{_MARK}{secrets.token_hex(8)}"
    lock = None
    try:
        try:
            work.mkdir(mode=0o700)
        except OSError as error:
            raise _unwritable(target, error) from error
        lock = _hold(work)
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
        if lock is not None:
            lock.close()
        shutil.rmtree(work, ignore_errors=True)


def _unwritable(target: Path, error: OSError) -> OutputError:
    return OutputError(f"{target.parent} cannot be written to ({error.strerror}): choose another -o.")


def sweep(parent: Path) -> None:
    """Removes the work of processes that were killed; never that of a living one, on this host or another.

    One that was killed between moving the earlier result away and putting the new one in its place
    had the new one complete: it is put there.
    """
    if not _LOCKS:
        return
    for work in parent.glob(f".*{_MARK}*"):
        if not work.is_dir() or work.is_symlink() or not _abandoned(work):
            continue
        target = parent / work.name[1:].rpartition(_MARK)[0]
        if (work / "old").exists() and not target.exists():
            (work / ("new" if (work / "new").exists() else "old")).rename(target)
        shutil.rmtree(work, ignore_errors=True)


def _hold(work: Path) -> IO[bytes]:
    """An open file that is locked as long as this process lives.

    The system frees the lock of a process that dies, even by SIGKILL, and unlike a process number it is
    never given to another. It is locked before it gets its name: under that name it is free only when left.
    """
    lock = (work / _NEW_LOCK).open("wb")
    if _LOCKS:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:  # a file system without locks: without the name, age alone would decide
            return lock
    (work / _NEW_LOCK).rename(work / _LOCK)
    return lock


def _abandoned(work: Path) -> bool:
    try:
        with (work / _LOCK).open("rb") as lock:
            fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
            return True
    except FileNotFoundError:
        # Not yet locked or never to be: only an empty one is ours to judge, and only by its age.
        try:
            return next(work.iterdir(), None) is None and time.time() - work.stat().st_mtime > _UNLOCKED_S
        except OSError:
            return False
    except OSError:
        return False


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

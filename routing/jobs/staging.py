"""Nothing half-written: a folder appears under its name only when all of it is there and on the disk."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import time
from collections.abc import Collection, Iterator
from contextlib import ExitStack, contextmanager, suppress
from fnmatch import fnmatchcase
from pathlib import Path

from featurize import system
from routing.jobs.errors import OutputError

# Work goes on in ".NAME.dieroute-XXXXXXXX" beside NAME, so that a later run knows what was meant to be NAME.
_MARK = ".dieroute-"
_FIRST_LOCK, _LOCK = "lock.first", "lock"
# Within it: the result being made, the earlier one that it replaces, and what is only to be removed.
_NEW, _OLD, _GONE = "new", "old", "gone"
# A folder without a lock is this old before it counts as left: its maker needs microseconds to lock it.
_UNLOCKED_S = 60.0
# Where there is less than this, it is for want of room that a file could not be written.
_ROOM_BYTES = 1 << 16
# Other runs may put their results under the same name at the same moment; the last one stays.
_SWAPS = 20


@contextmanager
def staged_folder(target: Path, replaceable: Collection[str]) -> Iterator[Path]:
    """A temporary folder beside ``target`` that takes its name at the end, and is gone after any error.

    A folder that is already there is replaced when every file in it bears one of the names or
    patterns in ``replaceable``, that is, came from an earlier run; OutputError protects everything else, and
    tells of a full disk. A link is followed. What killed processes left beside it is swept first.
    """
    try:
        target = Path(os.path.realpath(target)) if target.is_symlink() else target.absolute()
        _check(target, replaceable)
        target.parent.mkdir(parents=True, exist_ok=True)
        sweep(target.parent)
    except OSError as error:
        raise _unwritable(target, error) from error
    # Named before it is made: a signal in between leaves nothing.
    work = target.parent / f".{target.name}{_MARK}{secrets.token_hex(8)}"
    held = ExitStack()
    try:
        try:
            work.mkdir(mode=0o700)
            _hold(work, held)
            (work / _NEW).mkdir()
        except OSError as error:
            raise _unwritable(target, error) from error
        try:
            yield work / _NEW
        except Exception as error:
            if system.is_full(error) or shutil.disk_usage(work).free < _ROOM_BYTES:
                full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))  # the kernel does not say why
                raise _unwritable(target, full) from error
            raise
        try:
            system.write_through(work / _NEW)
            _swap(work, target, replaceable)
        except OSError as error:
            raise _unwritable(target, error) from error
    finally:
        if _restored(work, target):
            _remove(work, held)


def _unwritable(target: Path, error: OSError) -> OutputError:
    cure = "make room or choose another -o" if system.is_full(error) else "choose another -o"
    return OutputError(f"{target.parent} cannot be written to ({error.strerror}): {cure}.")


def _swap(work: Path, target: Path, replaceable: Collection[str]) -> None:
    for swaps in range(1, _SWAPS + 1):
        _check(target, replaceable)  # something may have been put there meanwhile
        try:
            if target.exists():
                target.rename(work / _OLD)
            (work / _NEW).rename(target)
        except OSError as error:
            restored = _restored(work, target)
            # Gone or there again in between: another run was quicker, its result is replaced in turn.
            raced = error.errno in (errno.ENOENT, errno.ENOTEMPTY, errno.EEXIST)
            if not (restored and raced and swaps < _SWAPS):
                raise
        else:
            return


def _restored(work: Path, target: Path) -> bool:
    """Whether an earlier result that was moved away is back, or replaced and no more to be taken for one."""
    old = work / _OLD
    try:
        if not old.exists():
            return True
        if target.exists():
            # Its removal may be cut short: under this name no later run puts half of it back.
            old.rename(work / f"{_GONE}-{secrets.token_hex(4)}")
        else:
            old.rename(target)
    except OSError:
        return False  # left with its lock free at our end: the next run puts it back
    return True


def sweep(parent: Path) -> None:
    """Removes the work of processes that were killed; never that of a living one, on this host or another.

    One that was killed between moving the earlier result away and putting the new one in its place
    had the new one complete: it is put there.
    """
    for work in parent.glob(f".*{_MARK}*"):
        if not work.is_dir() or work.is_symlink() or not _abandoned(work):
            continue
        target = parent / work.name[1:].rpartition(_MARK)[0]
        try:
            if (work / _OLD).exists() and not target.exists():
                (work / (_NEW if (work / _NEW).exists() else _OLD)).rename(target)
        except OSError:
            continue  # another run was quicker, or the next one must do it
        _remove(work, ExitStack())


def _remove(work: Path, held: ExitStack) -> None:
    """Its locks last: what is cut short is known for what it is."""
    with held, suppress(OSError):
        for inside in work.iterdir():
            if inside.is_dir():
                shutil.rmtree(inside)
        held.close()
        for name in (_LOCK, _FIRST_LOCK):
            (work / name).unlink(missing_ok=True)
        work.rmdir()


def _hold(work: Path, held: ExitStack) -> None:
    """Holds files open that are locked as long as this process lives.

    The second one is there only while the first is held: both are free only when left.
    """
    for name in (_FIRST_LOCK, _LOCK):
        if system.try_lock(held.enter_context((work / name).open("wb"))) is None:
            break  # a file system without locks: whose work this is cannot be told


def _abandoned(work: Path) -> bool:
    try:
        if (work / _LOCK).exists():
            with (work / _LOCK).open("r+b") as lock, (work / _FIRST_LOCK).open("r+b") as first:
                return bool(system.try_lock(lock) and system.try_lock(first))
        # Not yet locked or never to be: only one without content is ours to judge, and only by its age.
        empty = all(inside.name == _FIRST_LOCK for inside in work.iterdir())
        return empty and time.time() - work.stat().st_mtime > _UNLOCKED_S
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

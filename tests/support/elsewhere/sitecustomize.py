"""Makes this process as much like one on Windows as can be done on Linux; ``pytest --elsewhere`` uses it.

Python itself imports it at the start of every process that finds this folder on its path. Taken away from
the program are file locks of POSIX (those of Windows are there, made of them), forks, groups of processes,
signal masks, the death signal and the memory of /proc; text is written with CR LF, and no text may be opened
in the system's own encoding. What the standard library needs for itself stays.
"""

from __future__ import annotations

import asyncio  # noqa: F401  (needs fcntl)
import builtins
import errno
import importlib.abc
import importlib.machinery
import importlib.util
import io
import multiprocessing.connection
import multiprocessing.popen_fork
import multiprocessing.popen_spawn_posix
import multiprocessing.util  # noqa: F401
import os
import signal
import subprocess  # noqa: F401  (a module msvcrt would tell it that it is on Windows)
import sys
import tempfile  # noqa: F401
import types
import warnings

_ONE = "featurize.system"


def _locking_of_windows() -> types.ModuleType:
    """``msvcrt`` with the one function that the program uses, and its errors."""
    import fcntl

    module = types.ModuleType("msvcrt")

    def locking(handle: int, mode: int, count: int) -> None:
        assert mode == module.LK_NBLCK  # type: ignore[attr-defined]
        # The C library of Windows counts places in files with 32 bits.
        assert os.lseek(handle, 0, os.SEEK_CUR) + count < 1 << 31
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES)) from None

    module.LK_NBLCK = 2  # type: ignore[attr-defined]
    module.locking = locking  # type: ignore[attr-defined]
    return module


class _AsOnWindows(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads the one module that knows systems as Windows would."""

    def find_spec(self, name, path, _target=None):
        if name != _ONE:
            return None
        found = importlib.machinery.PathFinder.find_spec(name, path)
        self._real = found.loader
        found.loader = self
        return found

    def create_module(self, spec):
        return self._real.create_module(spec)

    def exec_module(self, module):
        was, sys.platform = sys.platform, "win32"
        try:
            self._real.exec_module(module)
        finally:
            sys.platform = was


def _open(file, mode="r", buffering=-1, encoding=None, errors=None, newline=None, closefd=True, opener=None):
    if newline is None and "b" not in mode and set(mode) & set("wax+"):
        newline = "\r\n"
    if encoding is None and "b" not in mode:
        io.text_encoding(None, 3)  # where the program opened it
    return _real_open(file, mode, buffering, encoding or _default(mode), errors, newline, closefd, opener)


def _default(mode: str) -> str | None:
    return None if "b" in mode else "locale"


if _ONE in sys.modules:
    raise ImportError("too late: the program has been loaded")
sys.modules["msvcrt"] = _locking_of_windows()
sys.modules["fcntl"] = None  # type: ignore[assignment]
for name in ("fork", "forkpty", "setsid", "killpg", "O_DIRECTORY"):
    if hasattr(os, name):
        delattr(os, name)
if hasattr(signal, "pthread_sigmask"):
    del signal.pthread_sigmask
_real_open = io.open
io.open = builtins.open = _open  # type: ignore[assignment]
sys.meta_path.insert(0, _AsOnWindows())
warnings.filterwarnings("error", category=EncodingWarning, module=r"(featurize|routing)\b")

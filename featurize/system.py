"""What differs between Linux, macOS and Windows, and stands nowhere else (``tests/test_house.py`` holds it).

Everything here has a way on each of them; where one offers less, the docstring says so.
"""

from __future__ import annotations

import errno
import importlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing import parent_process
from multiprocessing.connection import wait
from pathlib import Path
from types import ModuleType
from typing import IO, Any

_LINUX = sys.platform == "linux"
_PR_SET_PDEATHSIG = 1  # of <sys/prctl.h>
# A killed process is gone in milliseconds; one that nobody reaps is not waited for.
_GONE_S = 1.0
# Windows locks a stretch of bytes against readers too: one far behind any content, as far as it counts.
_LOCKED_BYTE = 0x7FFF_FFFE
_FULL = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}


def _module(name: str) -> ModuleType | None:
    try:
        return importlib.import_module(name)
    except ImportError:
        return None


_fcntl: Any = _module("fcntl")
_resource: Any = _module("resource")
_msvcrt: Any = None if _fcntl else _module("msvcrt")

# A fork of a process that has loaded the kernel is safe on Linux only: elsewhere libraries start threads.
CAN_FORK = _LINUX and hasattr(os, "fork")


def processors() -> int:
    """How many this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def prepare_child(parent: int, *, leads: bool) -> None:
    """Makes this new process a quiet child of ours: it hears no Ctrl-C and ends with its parent.

    ``leads`` puts it at the head of a group, so that its own children can be killed with it. Ctrl-C is the
    parent's to hear, which ends its children.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if leads and hasattr(os, "setsid"):
        os.setsid()
    if _LINUX:
        with suppress(OSError):  # out of memory, the system must choose the child and not its parent
            Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")
    _end_with(parent)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)


def _end_with(parent: int) -> None:
    """Ends this process when its parent ends, however that happens.

    Linux does it even while the kernel holds the interpreter (prctl(2)); elsewhere a thread watches, which
    must wait for a call of the kernel to end.
    """
    if _LINUX:
        with suppress(OSError, AttributeError):
            import ctypes

            if ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL)) == 0:
                if os.getppid() != parent:  # it was gone before we asked
                    os._exit(1)
                return
    above = parent_process()
    if above is not None:
        threading.Thread(target=_watch, args=(above.sentinel,), daemon=True).start()


def _watch(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)


@contextmanager
def interrupts_held() -> Iterator[None]:
    """A child born in here never sees Ctrl-C; on Windows only once it is settled."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def kill_group(leader: int) -> None:
    """Kills a child that leads a group, and all that are in it; returns when they are gone."""
    if hasattr(os, "killpg"):
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(leader, signal.SIGKILL)
        return
    import psutil

    with suppress(psutil.Error):
        process = psutil.Process(leader)
        for one in [*process.children(recursive=True), process]:
            with suppress(psutil.Error):
                one.kill()


def wait_for_group(leader: int) -> None:
    """Waits a moment for the children of a killed leader: they hold what it held until they are gone too."""
    if not hasattr(os, "killpg"):
        return
    deadline = time.monotonic() + _GONE_S
    with suppress(ProcessLookupError, PermissionError):
        while time.monotonic() < deadline:
            os.killpg(leader, 0)
            time.sleep(0.005)


def was_killed(code: int | None) -> bool:
    """Whether an exit status is of SIGKILL, which a system short of memory sends."""
    return code == -9


def limit_cpu(seconds: int) -> None:
    """This process is killed when it has used the processor for so long; Windows sets no limit."""
    if _resource is not None:
        signal.signal(signal.SIGXCPU, signal.SIG_DFL)  # who started us may have ignored it
        _resource.setrlimit(_resource.RLIMIT_CPU, (seconds, seconds + 5))


def limit_memory(size_bytes: int) -> None:
    """This process gets no more memory than this; Windows and macOS set no limit."""
    if _resource is not None and _LINUX:
        _resource.setrlimit(_resource.RLIMIT_AS, (size_bytes, size_bytes))


def how_ended(code: int | None) -> str:
    """An exit status in words."""
    if code is None:
        return "it did not end"
    if code < 0:
        if -code == getattr(signal, "SIGXCPU", None):
            return "over its limit of the processor's time"
        return f"signal {-code}"
    return f"exit status {code:#x}" if code > 0xFFFF else f"exit status {code}"  # Windows' own are long


def resident_mb(pid: int) -> float:
    """Memory of a process and its children, MB; 0 for one that is gone.

    Linux shares pages out among those that share them; elsewhere they count for each.
    """
    if not _LINUX:
        return _resident_elsewhere_mb(pid)
    try:
        rollup = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii")
        total = int(rollup.partition("\nPss:")[2].split(maxsplit=1)[0]) / 1024
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    except (OSError, IndexError):
        return 0.0
    return total + sum(resident_mb(int(child)) for child in children)


def _resident_elsewhere_mb(pid: int) -> float:
    import psutil

    total = 0.0
    with suppress(psutil.Error):
        process = psutil.Process(pid)
        for one in [process, *process.children(recursive=True)]:
            with suppress(psutil.Error):
                total += one.memory_info().rss / 2**20
    return total


def try_lock(file: IO[Any]) -> bool | None:
    """Locks an open file (for writing) until it is closed or this process ends, however that happens.

    False when another holds it; None on a file system without locks. Unlike a process number, a lock is
    never given to another.
    """
    try:
        if _fcntl is not None:
            _fcntl.flock(file, _fcntl.LOCK_EX | _fcntl.LOCK_NB)
        elif _msvcrt is not None:
            place = os.lseek(file.fileno(), 0, os.SEEK_CUR)
            os.lseek(file.fileno(), _LOCKED_BYTE, os.SEEK_SET)
            try:
                _msvcrt.locking(file.fileno(), _msvcrt.LK_NBLCK, 1)
            finally:
                os.lseek(file.fileno(), place, os.SEEK_SET)
        else:
            return None
    except OSError as error:
        return False if error.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK) else None
    return True


def write_through(folder: Path) -> None:
    """Brings the files of a folder to the disk: a name that outlives a power cut must not stand for nothing.

    Windows keeps names by itself.
    """
    for path in [*folder.rglob("*"), folder]:
        if path.is_dir() and not hasattr(os, "O_DIRECTORY"):
            continue
        handle = os.open(path, os.O_RDONLY if hasattr(os, "O_DIRECTORY") else os.O_RDWR)
        try:
            with suppress(OSError):  # some file systems know no such thing
                os.fsync(handle)
        finally:
            os.close(handle)


def is_full(error: BaseException) -> bool:
    """Whether it is the disk, or one's share of it, that is full."""
    return isinstance(error, OSError) and error.errno in _FULL


def cache_folder() -> Path:
    """Where programs keep what can be made again (XDG base directories, or what the system has instead)."""
    return _folder("XDG_CACHE_HOME", ".cache", "Caches")


def data_folder() -> Path:
    """Where programs keep a person's data (as above)."""
    return _folder("XDG_DATA_HOME", ".local/share", "Application Support")


def _folder(variable: str, default: str, library: str) -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / library
    return Path(os.environ.get(variable) or Path.home() / default)


def speak_utf8() -> None:
    """Standard output and error in UTF-8 wherever they go: a code page of the system lacks half our signs."""
    for stream in (sys.stdout, sys.stderr):
        if (reconfigure := getattr(stream, "reconfigure", None)) is not None:
            reconfigure(encoding="utf-8", errors="backslashreplace")


def on_terminate(act: Callable[[int], object]) -> None:
    """``act`` gets the usual exit status when this process is asked to end."""
    signal.signal(signal.SIGTERM, lambda *_: act(128 + signal.SIGTERM))

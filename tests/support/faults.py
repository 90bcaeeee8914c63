"""Faults put into the n-th operation of a program on files, of whatever kind it is (PEP 578 audit events)."""

from __future__ import annotations

import errno
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

_EVENTS = ("open", "os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.listdir", "os.scandir")


@dataclass
class Faults:
    """Operations under ``folder``: the ``at``-th (from 1) fails with ``error``; None kills."""

    folder: Path
    at: int = 0
    error: int | None = errno.ENOSPC
    seen: list[str] = field(default_factory=list)

    def hit(self, event: str, args: tuple[Any, ...]) -> None:
        if event not in _EVENTS or not isinstance(args[0], str | os.PathLike):
            return
        path = Path(args[0])
        if event in ("os.remove", "os.rmdir") and args[1] >= 0:  # relative to an open folder
            path = Path(f"/proc/self/fd/{args[1]}").readlink() / path
        if not path.is_relative_to(self.folder):
            return
        self.seen.append(f"{event} {path.name}")
        if len(self.seen) == self.at:
            if self.error is None:
                os.kill(os.getpid(), signal.SIGKILL)
            raise OSError(self.error, os.strerror(self.error), str(args[0]))


_now: Faults | None = None
_hooked = False


def _hook(event: str, args: tuple[Any, ...]) -> None:
    global _now
    if _now is not None:
        faults, _now = _now, None  # what the watcher itself does is not counted
        try:
            faults.hit(event, args)
        finally:
            _now = faults


@contextmanager
def faulty(faults: Faults) -> Iterator[Faults]:
    """Within this, the fault is in place; a hook can never be taken off, so there is one for all."""
    global _now, _hooked
    if not _hooked:
        sys.addaudithook(_hook)
        _hooked = True
    _now = faults
    try:
        yield faults
    finally:
        _now = None

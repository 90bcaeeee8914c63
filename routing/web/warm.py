"""The worker: one child process that keeps the kernel loaded and remembers what it worked out.

A crash or an endless loop of the kernel costs this child only: the server ends it, says so in one line
and starts another.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
import traceback
from collections.abc import Callable
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any

from featurize.errors import Code, StepError
from featurize.isolate import die_with, may_fork

Say = Callable[[Any], None]


class StoppedError(Exception):
    """A person stopped the task."""


class Warm:
    """Runs tasks one at a time in a child that stays; ``ask`` belongs to one thread."""

    def __init__(self) -> None:
        self._child: BaseProcess | None = None
        self._pipe: Connection | None = None
        self._stopped = threading.Event()

    @property
    def pid(self) -> int | None:
        return self._child.pid if self._child is not None else None

    def start(self) -> None:
        """Starts the child where none lives; it loads the kernel meanwhile."""
        if self._child is not None and self._child.is_alive():
            return
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._child = context.Process(target=serve, args=(theirs, os.getpid()), daemon=True)
        self._child.start()
        theirs.close()

    def ask(self, task: str, *args: Any, time_limit_s: float, hear: Say = lambda message: None) -> Any:
        """What the task gives; ``hear`` gets its messages.

        Raises StepError for a crash or when time is up, StoppedError, and what the task raises.
        """
        self._stopped.clear()
        self.start()
        assert self._pipe is not None
        assert self._child is not None
        deadline = time.monotonic() + time_limit_s
        try:
            self._pipe.send((task, args))
            while True:
                left_s = deadline - time.monotonic()
                if left_s <= 0 or not wait([self._pipe, self._child.sentinel], left_s):
                    self.kill()
                    said = f"Stopped after {time_limit_s:g} s, the time limit: simplify the model."
                    raise StepError(Code.TIMED_OUT, said)
                if not self._pipe.poll():
                    raise EOFError
                tag, value = self._pipe.recv()
                if tag == "done":
                    return value
                if tag == "error":
                    raise value
                hear(value)
        except (EOFError, OSError):
            code = self.kill()
            if self._stopped.is_set():
                raise StoppedError from None
            how = f"signal {-code}" if code < 0 else f"exit status {code}"
            said = (
                f"The geometry kernel crashed on this model ({how}): export it again, or in another version."
            )
            raise StepError(Code.CRASHED, said) from None

    def stop(self) -> None:
        """Ends the running task, from any thread."""
        self._stopped.set()
        if self._child is not None:
            self._child.kill()

    def kill(self) -> int:
        """Ends the child and gives its exit status."""
        code = 0
        if self._child is not None:
            self._child.join(0.2)  # one that crashed may still be going
            self._child.kill()
            self._child.join()
            code = self._child.exitcode or 0
        if self._pipe is not None:
            self._pipe.close()
        self._child = self._pipe = None
        return code


def serve(pipe: Connection, parent: int) -> None:
    """The child's life: tasks in, answers out, until the server is gone."""
    die_with(parent)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server decides
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    from routing.jobs.memory import Memory

    memory = Memory()
    with contextlib.suppress(Exception):
        _warm_up()
    may_fork()
    while True:
        try:
            name, args = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            from routing.web.tasks import TASKS  # here: a fault in loading is told as the task's

            answer = ("done", TASKS[name](memory, lambda message: pipe.send(("heard", message)), *args))
        except Exception as error:
            error.add_note("in the worker:\n" + traceback.format_exc())
            answer = ("error", error)
        try:
            pipe.send(answer)
        except OSError:
            return
        except Exception as error:  # what cannot be pickled is our mistake
            pipe.send(("error", RuntimeError(f"{type(error).__name__}: {error}")))


def _warm_up() -> None:
    """Loads the kernel and its tables before the first file comes."""
    from routing.web.tasks import warm_up

    warm_up()

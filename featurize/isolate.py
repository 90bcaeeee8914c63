"""Runs a function in a child process, so that a crash or an endless loop in it stays there.

``run_isolated`` starts a fresh process; ``run_apart`` forks one that is already ours, which costs little.

Knows nothing of the kernel. The function must be importable by name, its arguments and result
picklable; a program that calls this needs the usual ``if __name__ == "__main__"`` guard.
"""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, NoReturn, TypeVar

from featurize.errors import Code, StepError

T = TypeVar("T")

_PR_SET_PDEATHSIG = 1  # of <sys/prctl.h>

# Set in a child only: the way back to its parent.
_to_parent: Connection | None = None
# Whether this process may be forked: it is a worker of ours, with one thread.
_forks = False


def report(message: object) -> None:
    """Sends a (picklable) message to the parent's ``progress``; does nothing outside a child."""
    if _to_parent is not None:
        _to_parent.send(("progress", message))


def run_isolated(
    function: Callable[..., T],
    *args: Any,
    time_limit_s: float,
    progress: Callable[[Any], None] | None = None,
    quiet: bool = True,
) -> T:
    """``function(*args)``, run in a child process.

    ``progress`` gets what the child passes to ``report``. ``quiet`` discards what the child writes
    to its terminal. Raises StepError: ``crashed`` when the child dies, ``timed_out`` over the limit,
    or the child's own; RuntimeError when no child could be started; any other exception of the child
    is raised again with its traceback as a note.
    """
    context = multiprocessing.get_context("spawn")
    receiver, sender = context.Pipe(duplex=False)
    child = context.Process(target=_serve, args=(sender, quiet, os.getpid(), function, args), daemon=True)
    deadline = time.monotonic() + time_limit_s
    try:
        child.start()
        sender.close()
        answer: T = _await_result(child, receiver, deadline, time_limit_s, progress)
        return answer
    finally:
        # Reached on KeyboardInterrupt too: no child outlives the call.
        if child.pid is not None:
            child.kill()
            child.join()
        receiver.close()


def _await_result(
    child: BaseProcess,
    receiver: Connection,
    deadline: float,
    time_limit_s: float,
    progress: Callable[[Any], None] | None,
) -> Any:
    started = False
    while True:
        left_s = deadline - time.monotonic()
        # The process's own end is watched as well: a grandchild could hold the pipe open.
        if left_s <= 0 or not wait([receiver, child.sentinel], left_s):
            raise StepError(
                Code.TIMED_OUT,
                f"Stopped after {time_limit_s:g} s, the time limit: simplify the model or raise the limit.",
            )
        try:
            tag, value = receiver.recv() if receiver.poll() else _gone(child, started)
        except EOFError:
            _gone(child, started)
        if tag == "result":
            return value
        if tag == "error":
            raise value
        if tag == "started":
            started = True
        elif progress is not None:
            progress(value)


def _gone(child: BaseProcess, started: bool) -> NoReturn:
    child.join()
    code = child.exitcode or 0
    if not started:
        raise RuntimeError(
            f"the child process did not start (exit status {code}): the program that calls this must be "
            'a file, with an `if __name__ == "__main__"` guard'
        )
    how = f"signal {-code}" if code < 0 else f"exit status {code}"
    raise StepError(
        Code.CRASHED,
        f"The geometry kernel crashed on this model ({how}): export it again, or in another STEP version.",
    )


def may_fork() -> None:
    """Tells that this process is a worker with one thread: what is ``run_apart`` in it is forked."""
    global _forks
    _forks = sys.platform == "linux"


def run_apart(function: Callable[[], T], *, time_limit_s: float) -> T:
    """``function()``, in a fork of this process where it may be forked, else here.

    From a fork comes what can be pickled: its result, or its exception. Raises StepError when it dies
    (``crashed``) or takes longer than the limit (``timed_out``).
    """
    if not _forks:
        return function()
    receiver, sender = multiprocessing.Pipe(duplex=False)
    parent = os.getpid()
    pid = os.fork()
    if pid == 0:
        _answer_and_end(sender, parent, function)
    sender.close()
    status: int | None = None
    try:
        if not receiver.poll(time_limit_s):
            raise StepError(Code.TIMED_OUT, f"stopped after {time_limit_s:g} s")
        try:
            ok, answer = receiver.recv()
        except (EOFError, OSError):  # it ended before its answer, or in the midst of it
            _, status = os.waitpid(pid, 0)
            code = os.waitstatus_to_exitcode(status)
            how = f"signal {-code}" if code < 0 else f"exit status {code}"
            raise StepError(Code.CRASHED, f"the geometry kernel crashed ({how})") from None
    finally:
        receiver.close()
        if status is None:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
    if not ok:
        raise answer
    result: T = answer
    return result


def _answer_and_end(sender: Connection, parent: int, function: Callable[[], Any]) -> NoReturn:
    """The life of a fork; it leaves without the clean-up that is its parent's."""
    try:
        die_with(parent)
        try:
            answer = True, function()
        except Exception as error:
            error.add_note("in the fork:\n" + traceback.format_exc())
            answer = False, error
        try:
            sender.send(answer)
        except Exception as error:
            sender.send((False, RuntimeError(f"the answer could not be sent: {error}")))
    finally:
        os._exit(0)


def die_with(parent: int) -> None:
    """Ends this process when its parent ends, even by SIGKILL and even while it is deep in the kernel.

    Only Linux offers it (prctl(2), PR_SET_PDEATHSIG); elsewhere an orphan ends when it next speaks.
    """
    if sys.platform != "linux":
        return
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL))
    if os.getppid() != parent:  # it was gone before we asked
        os._exit(1)


def _serve(
    sender: Connection, quiet: bool, parent: int, function: Callable[..., Any], args: tuple[Any, ...]
) -> None:
    global _to_parent
    die_with(parent)
    if quiet:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
    _to_parent = sender
    may_fork()
    sender.send(("started", None))
    try:
        answer = ("result", function(*args))
    except Exception as error:
        if not isinstance(error, StepError):
            error.add_note("in the child process:\n" + traceback.format_exc())
        answer = ("error", error)
    try:
        sender.send(answer)
    except Exception as error:  # an answer that cannot be pickled is the caller's mistake: say so
        sender.send(("error", RuntimeError(f"the child's answer could not be sent: {error}")))

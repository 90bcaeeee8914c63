"""Functions in child processes, so that a crash or an endless loop in them stays there.

``Child`` is the one way in which this program has a child: how it starts, talks, is limited, ends and dies
with its parent. ``run_isolated`` starts a fresh one for one call; ``run_apart`` forks one that is already
ours, which costs little; pools of them stand with the jobs.

Knows nothing of the kernel. Functions must be importable by name, arguments and results picklable (but for
a fork's function); a program that calls this needs the usual ``if __name__ == "__main__"`` guard.
"""

from __future__ import annotations

import atexit
import multiprocessing
import os
import pickle
import sys
import time
import traceback
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Generic, TypeVar

from featurize import system
from featurize.errors import Code, StepError, is_memory_short

T = TypeVar("T")
OnMessage = Callable[[Any], None]

# A process that crashes may still be going, with all it holds to be written out, when its pipe is closed.
_CRASHING_S = 5.0
_CURES = {
    Code.CRASHED: "export it again, or in another STEP version",
    Code.TIMED_OUT: "simplify the model or raise the limit",
    Code.OUT_OF_MEMORY: "simplify the model or raise the limit",
}

# Set in a child only: the way back to its parent, and whether it may be forked (it has one thread);
# in how many forks it may work at a time, 0 for as many as there are processors.
_to_parent: Connection | None = None
_forks = False
_most = 0


def report(message: object) -> None:
    """Sends a (picklable) message to whoever called this child; does nothing outside a child."""
    if _to_parent is not None:
        _to_parent.send(("message", message))


def ended(code: Code, how: str) -> StepError:
    """The end of a child (crashed, timed out, out of memory) as a person is told it."""
    return StepError(code, f"{how}: {_CURES[code]}.")


def short_of_memory(how: str) -> StepError:
    """The end of a child whose machine had no more memory: no model is to blame for that."""
    return StepError(
        Code.OUT_OF_MEMORY,
        f"{how}, as happens where memory runs out; the file need not be at fault: close other programs, work "
        "on fewer files at a time, or give the machine more memory.",
    )


class StartError(RuntimeError):
    """The fault of a program whose children do not even begin."""


class Child:
    """A process that does one call after the other, writes to no terminal and ends with its parent.

    ``warm_up`` runs in it before the first call. A ``fork`` does that one function and no other. Made by the
    thread that uses it, since Linux ends it with that thread; ``interrupt`` is for any.
    """

    def __init__(
        self, warm_up: Callable[[], None] | None = None, *, fork: Callable[[], Any] | None = None
    ) -> None:
        context = multiprocessing.get_context("fork" if fork else "spawn")
        self._pipe, far_end = context.Pipe()
        # A child's own children are in its group, and killed with it.
        self._leads = _to_parent is None
        life = (far_end, os.getpid(), self._leads, None if fork else list(sys.path), warm_up, fork)
        # Python keeps daemons from having children, lest they be left: ours die with their parent.
        multiprocessing.current_process().daemon = False
        self._process: BaseProcess = context.Process(  # type: ignore[attr-defined]
            target=_live, args=life, name="dieroute-worker", daemon=True
        )
        with system.interrupts_held():
            self._process.start()
        far_end.close()
        assert self._process.pid is not None
        self.pid: int = self._process.pid
        self.ready = fork is not None

    @property
    def alive(self) -> bool:
        return not self._pipe.closed and self._process.is_alive()

    @property
    def waitables(self) -> list[Any]:
        """For ``multiprocessing.connection.wait``: ready when there is something to be received.

        The process's own end is watched as well: a grandchild could hold the pipe open.
        """
        return [self._pipe, self._process.sentinel]

    def send(self, function: Callable[..., Any], *args: Any) -> None:
        """Asks for a call; raises OSError when the child has died."""
        self._pipe.send((function, args))

    def receive(self) -> tuple[str, Any] | None:
        """What came next: ("message", of ``report``), ("value", result) or ("error", exception).

        None while there is nothing; once it is dead and all was received StepError ``crashed`` (or
        ``out_of_memory``, when it was killed), or StartError where it was at fault itself before it began.
        """
        alive = self._process.is_alive()  # asked first: what it sends before its end is there then
        try:
            while self._pipe.poll():
                tag, value = self._pipe.recv()
                if tag != "ready":
                    return tag, value
                self.ready = True
        except (EOFError, OSError):
            self._process.join(_CRASHING_S)
            alive = False
        if alive:
            return None
        killed = self.ready and system.was_killed(self._process.exitcode)  # by others: we have not yet
        how = self.kill()
        if not self.ready and how.startswith("exit"):
            raise StartError(
                f"worker processes do not start ({how}): the program that calls this must be a file, "
                'with an `if __name__ == "__main__"` guard'
            )
        if killed:
            raise short_of_memory(f"stopped from outside ({how})")
        raise ended(Code.CRASHED, f"the geometry kernel crashed on this model ({how})")

    def result(self, time_limit_s: float, on_message: OnMessage | None = None) -> Any:
        """What the call gives; ``on_message`` gets its messages.

        Raises what the call raises. Where anything else ends the wait the child is dead: StepError
        ``crashed`` or ``timed_out``, StartError when it never began, or an error of ``on_message``.
        """
        deadline = time.monotonic() + time_limit_s
        tag, value = "", None
        try:
            while tag not in ("value", "error"):
                if tag == "message" and on_message is not None:
                    on_message(value)
                left_s = deadline - time.monotonic()
                if left_s <= 0 or not wait(self.waitables, left_s):
                    raise ended(Code.TIMED_OUT, f"stopped after {time_limit_s:g} s, the time limit")
                tag, value = self.receive() or ("", None)
        except BaseException:
            self.kill()
            raise
        if isinstance(value, BaseException) and tag == "error":
            raise value
        return value

    def interrupt(self) -> None:
        """Kills it from any thread; the one that uses it finds out."""
        if self._leads:
            system.kill_group(self.pid)
        self._process.kill()

    def kill(self) -> str:
        """Ends it with all its children; how it ended."""
        if not self._pipe.closed:
            self.interrupt()
            self._process.join()
            self._pipe.close()
            if self._leads:
                system.wait_for_group(self.pid)
        return system.how_ended(self._process.exitcode)


_ahead: Child | None = None


def start_ahead(warm_up: Callable[[], None]) -> None:
    """Starts the child of the next ``run_isolated`` now: it does ``warm_up`` while its parent gets ready."""
    global _ahead
    if _ahead is None:
        _ahead = Child(warm_up)
        atexit.register(_drop_ahead)


def _drop_ahead() -> None:
    if _ahead is not None:
        _ahead.kill()


def _next_child() -> Child:
    global _ahead
    child, _ahead = _ahead, None
    return child if child is not None and child.alive else Child()


def run_isolated(
    function: Callable[..., T], *args: Any, time_limit_s: float, progress: OnMessage | None = None
) -> T:
    """``function(*args)``, run in a child process; ``progress`` gets what it passes to ``report``.

    Raises StepError: ``crashed`` when the child dies, ``timed_out`` over the limit, or the child's own;
    StartError when no child could be started; any other exception of the child is raised again with its
    traceback as a note.
    """
    child = _next_child()
    try:
        child.send(function, *args)
        answer: T = child.result(time_limit_s, progress)
    finally:
        # Reached on KeyboardInterrupt too: no child outlives the call.
        child.kill()
    return answer


def run_apart(function: Callable[[], T], *, time_limit_s: float) -> T:
    """``function()``, in a fork of this process where it may be forked, else here.

    From a fork comes what can be pickled: its result, or its exception. Raises StepError when it dies
    (``crashed``) or takes longer than the limit (``timed_out``).
    """
    task = Apart(function, time_limit_s=time_limit_s)
    try:
        return task.result()
    finally:
        task.end()


class Apart(Generic[T]):
    """``function()``, begun in a fork of this process where it may be forked, else done when asked for."""

    def __init__(self, function: Callable[[], T], *, time_limit_s: float) -> None:
        self._function, self._limit_s = function, time_limit_s
        self._deadline = time.monotonic() + time_limit_s
        self._child = Child(fork=function) if _forks else None
        self._answer: tuple[str, Any] | None = None

    def result(self) -> T:
        """Waits for it; raises what ``run_apart`` does."""
        if self._child is None:
            return self._function()
        while not self.is_done():
            wait(self._child.waitables, max(0.0, self._deadline - time.monotonic()))
        assert self._answer is not None
        tag, value = self._answer
        if tag == "error":
            raise value
        answer: T = value
        return answer

    def is_done(self) -> bool:
        """Whether the result, or why there is none, has come; passes on what it reports meanwhile."""
        if self._child is None:
            return True
        while self._answer is None:
            try:
                found = self._child.receive()
                if found is None and time.monotonic() < self._deadline:
                    return False
                if found is None:
                    raise ended(Code.TIMED_OUT, f"stopped after {self._limit_s:g} s, the time limit")
            except StepError as error:
                found = "error", error
            if found[0] == "message":
                report(found[1])
            else:
                self._answer = found
                self._child.kill()
        return True

    def end(self) -> None:
        """Ends it, where it is still going."""
        if self._child is not None:
            self._child.kill()


def wait_for_any(tasks: Sequence[Apart[Any]], most_s: float = 1.0) -> None:
    """Returns when one of them may be done, or its time is up."""
    if not any(task.is_done() for task in tasks):
        wait([w for task in tasks if task._child is not None for w in task._child.waitables], most_s)


def side_by_side() -> int:
    """How many forks of this process may work at a time: as many as it has processors; 1 without forks."""
    return _most or system.processors() if _forks else 1


def use_processors(most: int) -> None:
    """``side_by_side`` at most, in this process: for one of several that share the machine."""
    global _most
    _most = most


def run_in_parts(functions: Sequence[Callable[[], None]], *, time_limit_s: float) -> None:
    """All functions, in as many shares as may work ``side_by_side``; raises what the first to fail raises.

    A share takes the next function when it is done with one, the first share in this process.
    """
    shares = min(side_by_side(), len(functions))
    taken = multiprocessing.get_context("fork").Value("i", 0) if shares > 1 else None

    def work() -> None:
        if taken is None:
            for function in functions:
                function()
            return
        while True:
            with taken.get_lock():
                n, taken.value = taken.value, taken.value + 1
            if n >= len(functions):
                return
            functions[n]()

    others = [Apart(work, time_limit_s=time_limit_s) for _ in range(shares - 1)]
    try:
        work()
        for other in others:
            other.result()
    finally:
        for other in others:
            other.end()


def _live(
    pipe: Connection,
    parent: int,
    leads: bool,
    path: list[str] | None,
    warm_up: Callable[[], None] | None,
    fork: Callable[[], Any] | None,
) -> None:
    """A child's life: calls in, answers out, until its parent is gone."""
    global _to_parent, _forks
    system.prepare_child(parent, leads=leads)
    _to_parent = pipe
    if fork is not None:
        _answer(pipe, fork, ())
        return
    sys.path[:] = path or sys.path
    if warm_up is not None:
        warm_up()
    pipe.send(("ready", None))
    _forks = system.CAN_FORK
    while True:
        try:
            call = pipe.recv_bytes()
        except (EOFError, OSError):
            return
        _answer(pipe, _called, (call,))


def _called(call: bytes) -> Any:
    function, args = pickle.loads(call)  # here: a fault in loading it is told as the call's
    return function(*args)


def _answer(pipe: Connection, function: Callable[..., Any], args: tuple[Any, ...]) -> None:
    try:
        answer = "value", function(*args)
    except Exception as error:
        if is_memory_short(error):
            error = short_of_memory(f"stopped ({type(error).__name__})")
        if not isinstance(error, StepError):
            error.add_note("in the child process:\n" + traceback.format_exc())
        answer = "error", error
    try:
        pipe.send(answer)
    except OSError:  # nobody is there to on_message it
        return
    except Exception as error:  # an answer that cannot be pickled is the program's mistake: say so
        pipe.send(("error", RuntimeError(f"the child's answer could not be sent: {error}")))

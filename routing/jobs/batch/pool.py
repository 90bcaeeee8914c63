"""Warm worker processes: each loads the kernel once and does many tasks, and may die without harm.

Knows nothing of STEP files. The functions must be importable by name, tasks and values picklable.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from enum import StrEnum
from multiprocessing.connection import Connection, wait
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from featurize.isolate import die_with, may_fork

# How often limits are looked at; a task may overshoot its memory by what it takes in this time. The kernel
# walks all pages to tell what is shared, some milliseconds: at ten times a second it took a tenth of a core.
_TICK_S = 0.25
_START_LIMIT_S = 120.0
_FAILED_STARTS = 3
# A killed process is gone in milliseconds; one that nobody reaps is not waited for.
_GONE_S = 1.0
# Idle above this share of its memory limit a worker is replaced: the next task must not pay for earlier ones.
_STALE = 0.5
_MEND = "simplify the model or raise the limit"


class Stop(StrEnum):
    """Why a task was stopped, or what stopped its worker."""

    CRASHED = "crashed"
    TIMED_OUT = "timed out"
    OUT_OF_MEMORY = "out of memory"


class StoppedError(Exception):
    """``how`` it ended; ``str()`` is one line."""

    def __init__(self, how: Stop, message: str) -> None:
        super().__init__(how, message)
        self.how = how

    def __str__(self) -> str:
        return str(self.args[1])


@dataclass(frozen=True)
class Limits:
    """For each task: seconds, and resident megabytes of its worker, children included."""

    time_s: float = 600.0
    memory_mb: float = 4096.0


@dataclass(frozen=True)
class Outcome:
    """``value`` or ``error``; ``peak_mb`` is the largest resident size seen, 0 where it cannot be seen."""

    task: Any
    value: Any
    error: Exception | None
    seconds: float
    peak_mb: float


# (task, attempt from 1, seconds left) -> value. After a crash there is a second attempt, in a new worker.
Function = Callable[[Any, int, float], Any]

# Set in a worker only: the way back to its parent.
_to_parent: Connection | None = None


def report(text: str, _share: float = 0.0) -> None:
    """Tells the parent what is being done; does nothing outside a worker."""
    if _to_parent is not None:
        _to_parent.send(("progress", text))


def crash(how: str) -> StoppedError:
    """The error of a task that took its worker down twice, or once and then ran out of time."""
    said = f"the geometry kernel crashed on this model ({how}): export it again, or in another STEP version"
    return StoppedError(Stop.CRASHED, said)


class Pool:
    """``size`` worker processes, started when there is work for them; a context that leaves none behind.

    ``warm_up`` runs once in each worker before its first task and does not count against the limits.
    ``cleaned`` gets each task whose worker was killed or died: it may have left something.
    """

    def __init__(
        self,
        size: int,
        function: Function,
        limits: Limits,
        *,
        warm_up: Callable[[], None] | None = None,
        cleaned: Callable[[Any], None] = lambda task: None,
    ) -> None:
        self.size = size
        self._function, self._limits, self._warm_up, self._cleaned = function, limits, warm_up, cleaned
        self._waiting: deque[tuple[Any, int, float]] = deque()  # task, attempt, seconds already spent
        self._workers: list[_Worker] = []
        self._done: list[Outcome] = []
        self._failed_starts = 0

    @property
    def backlog(self) -> int:
        """Tasks that are not finished."""
        return len(self._waiting) + sum(w.task is not None for w in self._workers)

    def busy(self) -> list[str]:
        """What each worker at work last reported."""
        return [w.said for w in self._workers if w.task is not None and w.said]

    def submit(self, task: Any) -> None:
        self._waiting.append((task, 1, 0.0))

    def finished(self, timeout_s: float) -> list[Outcome]:
        """What has ended since the last call; waits for at most ``timeout_s`` while there is nothing.

        Raises RuntimeError when workers cannot be started.
        """
        deadline = time.monotonic() + timeout_s
        while True:
            self._give_out()
            left_s = min(deadline - time.monotonic(), _TICK_S)
            if not self._done and left_s > 0:
                self._wait(left_s)
            for worker in list(self._workers):
                self._look_at(worker)
            if self._done or time.monotonic() >= deadline:
                self._give_out()  # nobody idles while the caller is at something else
                done, self._done = self._done, []
                return done

    def close(self) -> None:
        """Kills what is at work."""
        self._waiting.clear()
        for worker in list(self._workers):
            task, worker.task = worker.task, None
            self._end(worker)
            if task is not None:
                self._cleaned(task)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _wait(self, seconds: float) -> None:
        watched = [thing for w in self._workers for thing in (w.pipe, w.process.sentinel)]
        if watched:
            wait(watched, seconds)
        else:
            time.sleep(seconds)

    def _give_out(self) -> None:
        while len(self._workers) < min(self.size, self.backlog):
            self._workers.append(_Worker(self._function, self._warm_up))
        for worker in self._workers:
            if self._waiting and worker.ready and worker.task is None:
                task, attempt, spent_s = self._waiting.popleft()
                try:
                    worker.give(task, attempt, spent_s, self._limits.time_s - spent_s)
                except (BrokenPipeError, ConnectionError):  # it died idle: no fault of the task
                    worker.task = None
                    self._waiting.appendleft((task, attempt, spent_s))
                    worker.ready = False

    def _look_at(self, worker: _Worker) -> None:
        try:
            while worker.pipe.poll():
                self._hear(worker, *worker.pipe.recv())
        except (EOFError, ConnectionError):
            worker.process.join(5)
        if not worker.process.is_alive():
            self._died(worker)
        elif worker.task is not None:
            worker.peak_mb = max(worker.peak_mb, resident := resident_mb(worker.pid))
            if worker.seconds > self._limits.time_s:
                said = f"stopped after {self._limits.time_s:g} s, the time limit"
                self._stop(worker, Stop.TIMED_OUT if worker.attempt == 1 else Stop.CRASHED, said)
            elif resident > self._limits.memory_mb:
                said = f"stopped at {resident:.0f} MB, the limit being {self._limits.memory_mb:g}"
                self._stop(worker, Stop.OUT_OF_MEMORY, said)
        elif not worker.ready and worker.age_s > _START_LIMIT_S:
            self._end(worker)
            self._count_failed_start("it took too long")

    def _hear(self, worker: _Worker, tag: str, value: Any) -> None:
        if tag == "ready":
            worker.ready, self._failed_starts = True, 0
        elif tag == "progress":
            worker.said = value
        else:
            ok = tag == "value"
            self._finish(worker, value if ok else None, None if ok else value)
            if resident_mb(worker.pid) > _STALE * self._limits.memory_mb:
                self._end(worker)

    def _finish(self, worker: _Worker, value: Any, error: Exception | None) -> None:
        self._done.append(Outcome(worker.task, value, error, worker.seconds, worker.peak_mb))
        worker.task, worker.said = None, ""

    def _stop(self, worker: _Worker, how: Stop, said: str) -> None:
        task = worker.task
        self._end(worker)
        error = crash(said) if how is Stop.CRASHED else StoppedError(how, f"{said}: {_MEND}")
        self._finish(worker, None, error)
        self._cleaned(task)

    def _died(self, worker: _Worker) -> None:
        code = worker.process.exitcode or 0
        how = f"signal {-code}" if code < 0 else f"exit status {code}"
        task, started, attempt = worker.task, worker.ready, worker.attempt
        self._end(worker)
        if task is None:
            if not started:
                self._count_failed_start(how)
            return
        self._cleaned(task)
        if attempt == 1 and worker.seconds < self._limits.time_s:
            # It may have paid for an earlier task, or been killed from outside.
            self._waiting.appendleft((task, 2, worker.seconds))
            return
        self._finish(worker, None, crash(how))

    def _count_failed_start(self, how: str) -> None:
        self._failed_starts += 1
        if self._failed_starts >= _FAILED_STARTS:
            raise RuntimeError(
                f"worker processes do not start ({how}); the program that calls this must be a file, "
                'with an `if __name__ == "__main__"` guard'
            )

    def _end(self, worker: _Worker) -> None:
        worker.kill()
        self._workers.remove(worker)


class _Worker:
    """A worker process as its parent sees it."""

    def __init__(self, function: Function, warm_up: Callable[[], None] | None) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        args = (theirs, os.getpid(), list(sys.path), function, warm_up)
        # Not a daemon: a second attempt has a child of its own.
        self.process = context.Process(target=_serve, args=args, name="dieroute-worker", daemon=False)
        self._born = time.monotonic()
        with _interrupts_held():
            self.process.start()
        theirs.close()
        assert self.process.pid is not None
        self.pid: int = self.process.pid
        self.ready = False
        self.task: Any = None
        self.attempt, self.said, self.peak_mb = 0, "", 0.0
        self._since = self._spent_s = 0.0

    @property
    def seconds(self) -> float:
        """On its task, earlier attempts included."""
        return self._spent_s + time.monotonic() - self._since

    @property
    def age_s(self) -> float:
        return time.monotonic() - self._born

    def give(self, task: Any, attempt: int, spent_s: float, left_s: float) -> None:
        self.task, self.attempt, self.peak_mb = task, attempt, 0.0
        self._since, self._spent_s = time.monotonic(), spent_s
        self.pipe.send((task, attempt, left_s))

    def kill(self) -> None:
        """With all its children."""
        if hasattr(os, "killpg"):
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(self.pid, signal.SIGKILL)
        self.process.kill()
        self.process.join()
        self.pipe.close()
        if hasattr(os, "killpg"):  # forks hold what the worker held until they are gone too
            _wait_for_group(self.pid)


def _wait_for_group(group: int) -> None:
    deadline = time.monotonic() + _GONE_S
    with suppress(ProcessLookupError, PermissionError):
        while time.monotonic() < deadline:
            os.killpg(group, 0)
            time.sleep(0.005)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """A child born in here never sees Ctrl-C: its parent does, and ends it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def resident_mb(pid: int) -> float:
    """Memory of a process and its children, pages they share being shared out; 0 where nobody tells."""
    try:
        rollup = Path(f"/proc/{pid}/smaps_rollup").read_text()
        total = int(rollup.partition("\nPss:")[2].split(maxsplit=1)[0]) / 1024
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except (OSError, IndexError):
        return 0.0
    return total + sum(resident_mb(int(child)) for child in children)


def _serve(
    pipe: Connection, parent: int, path: list[str], function: Function, warm_up: Callable[[], None] | None
) -> None:
    global _to_parent
    _live_and_die_with(parent)
    sys.path[:] = path
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    if warm_up is not None:
        warm_up()
    pipe.send(("ready", None))
    may_fork()
    _to_parent = pipe
    while True:
        try:
            task, attempt, left_s = pipe.recv()
        except EOFError:
            return
        try:
            answer: tuple[str, Any] = ("value", function(task, attempt, left_s))
        except Exception as error:
            error.add_note(traceback.format_exc())
            answer = ("error", error)
        try:
            pipe.send(answer)
        except (BrokenPipeError, ConnectionError):
            return
        except Exception as error:  # an answer that cannot be pickled is the program's fault: say so
            pipe.send(("error", RuntimeError(f"the answer could not be sent: {error}")))


def _live_and_die_with(parent: int) -> None:
    """A group of its own, so that its children can be killed with it; no orphan, whatever ends the parent."""
    # The workers are the parallelism: threads of the linear algebra would only contend.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if hasattr(os, "setsid"):
        os.setsid()
    if sys.platform != "linux":
        return  # there an orphan ends when it next asks for a task
    with suppress(OSError):  # out of memory, the system must choose the worker and not its parent
        Path("/proc/self/oom_score_adj").write_text("1000")
    die_with(parent)

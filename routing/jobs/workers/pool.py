"""Warm worker processes: each loads the kernel once and does many tasks, and may die without harm.

Knows nothing of STEP files. The functions must be importable by name, tasks and values picklable.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing.connection import wait
from types import TracebackType
from typing import Any, Self

from featurize.errors import Code, StepError
from featurize.isolate import Child, StartError, ended
from featurize.system import resident_mb

# How often limits are looked at; a task may overshoot its memory by what it takes in this time. The kernel
# walks all pages to tell what is shared, some milliseconds: at ten times a second it took a tenth of a core.
_TICK_S = 0.25
_START_LIMIT_S = 120.0
_FAILED_STARTS = 3
# Idle above this share of its memory limit a worker is replaced: the next task must not pay for earlier ones.
_STALE = 0.5


@dataclass(frozen=True)
class Limits:
    """For each task: seconds, and resident megabytes of its worker, children included."""

    time_s: float = 600.0
    memory_mb: float = 4096.0


@dataclass(frozen=True)
class Outcome:
    """``value`` or ``error``; ``peak_mb`` is the largest resident size seen."""

    task: Any
    value: Any
    error: Exception | None
    seconds: float
    peak_mb: float


# (task, attempt from 1, seconds left) -> value. After a crash there is a second attempt, in a new worker.
Function = Callable[[Any, int, float], Any]


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

    @property
    def pids(self) -> list[int]:
        """The workers that are ready."""
        return [w.child.pid for w in self._workers if w.child.ready]

    def busy(self) -> list[str]:
        """What each worker at work last reported."""
        return [w.stage for w in self._workers if w.task is not None and w.stage]

    def submit(self, task: Any) -> None:
        self._waiting.append((task, 1, 0.0))

    def finished(self, timeout_s: float) -> list[Outcome]:
        """What has ended since the last call; waits for at most ``timeout_s`` while there is nothing.

        Raises StartError when workers cannot be started.
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
        watched = [thing for w in self._workers for thing in w.child.waitables]
        if watched:
            wait(watched, seconds)
        else:
            time.sleep(seconds)

    def _give_out(self) -> None:
        while len(self._workers) < min(self.size, self.backlog):
            self._workers.append(_Worker(Child(self._warm_up)))
        for worker in self._workers:
            if self._waiting and worker.child.ready and worker.task is None:
                with suppress(OSError):  # it died idle, and is found so: no fault of the task
                    left_s = self._limits.time_s - self._waiting[0][2]
                    worker.child.send(self._function, *self._waiting[0][:2], left_s)
                    worker.take(*self._waiting.popleft())

    def _look_at(self, worker: _Worker) -> None:
        try:
            while (found := worker.child.receive()) is not None:
                if found[0] == "message":
                    worker.stage = str(found[1])
                else:
                    self._answered(worker, *found)
                    return
        except (StepError, StartError) as error:
            self._died(worker, error)
            return
        if worker.task is not None:
            self._limit(worker)
        elif not worker.child.ready and worker.age_s > _START_LIMIT_S:
            worker.child.interrupt()  # found dead before it began at the next look
        elif worker.child.ready:
            self._failed_starts = 0

    def _answered(self, worker: _Worker, tag: str, value: Any) -> None:
        ok = tag == "value"
        self._finish(worker, value if ok else None, None if ok else value)
        if resident_mb(worker.child.pid) > _STALE * self._limits.memory_mb:
            self._end(worker)

    def _limit(self, worker: _Worker) -> None:
        worker.peak_mb = max(worker.peak_mb, resident := resident_mb(worker.child.pid))
        if worker.seconds > self._limits.time_s:
            how = f"stopped after {self._limits.time_s:g} s, the time limit"
            # A second attempt is one after a crash, which is what ails the file.
            error = ended(Code.TIMED_OUT if worker.attempt == 1 else Code.CRASHED, how)
        elif resident > self._limits.memory_mb:
            how = f"stopped at {resident:.0f} MB, the limit being {self._limits.memory_mb:g}"
            error = ended(Code.OUT_OF_MEMORY, how)
        else:
            return
        task = worker.task
        self._end(worker)
        self._finish(worker, None, error)
        self._cleaned(task)

    def _finish(self, worker: _Worker, value: Any, error: Exception | None) -> None:
        self._done.append(Outcome(worker.task, value, error, worker.seconds, worker.peak_mb))
        worker.task, worker.stage = None, ""

    def _died(self, worker: _Worker, error: Exception) -> None:
        self._end(worker)
        task = worker.task
        if task is None:
            self._failed_starts += not worker.child.ready
            if self._failed_starts >= _FAILED_STARTS:
                raise error
            return
        self._cleaned(task)
        if worker.attempt == 1 and worker.seconds < self._limits.time_s:
            # It may have paid for an earlier task, or been killed from outside.
            self._waiting.appendleft((task, 2, worker.seconds))
            return
        self._finish(worker, None, error)

    def _end(self, worker: _Worker) -> None:
        worker.child.kill()
        self._workers.remove(worker)


class _Worker:
    """A child and the task that it is at."""

    def __init__(self, child: Child) -> None:
        self.child = child
        self.task: Any = None
        self.attempt, self.stage, self.peak_mb = 0, "", 0.0
        self._born = time.monotonic()
        self._since = self._spent_s = 0.0

    @property
    def seconds(self) -> float:
        """On its task, earlier attempts included."""
        return self._spent_s + time.monotonic() - self._since

    @property
    def age_s(self) -> float:
        return time.monotonic() - self._born

    def take(self, task: Any, attempt: int, spent_s: float) -> None:
        self.task, self.attempt, self.peak_mb = task, attempt, 0.0
        self._since, self._spent_s = time.monotonic(), spent_s

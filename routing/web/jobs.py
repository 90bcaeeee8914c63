"""The job queue: jobs are given to one warm worker in turn, and whoever listens is warned."""

from __future__ import annotations

import itertools
import logging
import queue
import re
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from featurize.errors import Code, StepError
from featurize.step.read import Skip, reading_less
from routing.inputs.choices import ChoicesError
from routing.jobs.errors import MENDABLE, one_line
from routing.jobs.workers.warm import CancelledError, WarmWorker
from routing.web.store import (
    DISK_FULL,
    MODEL,
    Job,
    JobRevision,
    Source,
    State,
    Store,
    TurnsOverError,
    is_full,
)

Notify = Callable[[Mapping[str, Any]], None]
CANCELLED = "stopped by a person: it can be run again."
SUPERSEDED = "a newer answer took its place."
NOT_COUNTED = "not counted: it would have turned the part over."
# Between attempts to write what a job came to, where the disk is full.
_RETRY_S = 2.0
_log = logging.getLogger("dieroute")


@dataclass(frozen=True)
class _Query:
    """Something other than a job to ask the worker; the answer goes to ``answer``."""

    task: str
    args: tuple[Any, ...]
    answer: Future[Any]


class JobQueue:
    """One worker, one queue of waiting jobs. ``notify`` gets each change of a revision, from any thread.

    ``plans`` has the parts of the running revision (job, number) whose papers are still being made.
    """

    def __init__(
        self,
        store: Store,
        notify: Notify = lambda message: None,
        *,
        shop: Path | None = None,
        time_limit_s: float = 600.0,
    ) -> None:
        self.store, self.notify = store, notify
        self.shop = str(shop.absolute()) if shop else None
        self.time_limit_s = time_limit_s
        self._worker = WarmWorker(_load)
        # What a person waits for at the page goes before the jobs; each in its order.
        self._queue: queue.PriorityQueue[tuple[int, int, tuple[str, int] | _Query | None]] = (
            queue.PriorityQueue()
        )
        self._serial = itertools.count()
        self._running: tuple[str, int] | None = None
        self.plans: dict[tuple[str, int], list[dict[str, Any]]] = {}
        self._closing = threading.Event()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._work, name="jobs", daemon=True)
        for revision in store.waiting():
            self._put((revision.job, revision.number))
        self._thread.start()

    @property
    def worker_pid(self) -> int | None:
        return self._worker.pid

    def submit(self, job: str, number: int) -> None:
        self._put((job, number))
        self._announce(self.store.revision(job, number))

    def revise(
        self, job: str, choices: Mapping[str, Any], *, base: int | None = None, sure: bool = True
    ) -> JobRevision:
        """A new revision in the queue; where ``base`` is not worked out yet it need not be any more."""
        revision = self.store.revise(job, choices, base=base, sure=sure)
        if base is not None:
            self._supersede(job, base)
        self.submit(job, revision.number)
        return revision

    def count(self, job: str, number: int, yes: bool) -> JobRevision:
        """What a person said of a revision that is held: worked out all the same, or left alone."""
        if yes:
            self.store.update(job, number, sure=True)
            return self.again(job, number)
        revision = self.store.update(job, number, state=State.INTERRUPTED, error=NOT_COUNTED)
        self._announce(revision)
        return revision

    def _supersede(self, job: str, number: int) -> None:
        """Takes a revision out of the queue, or has its work end at its next stage: the worker stays warm."""
        with self._lock:
            if self._running == (job, number):
                self.store.dropped(job, number).touch()
            elif self.store.revision(job, number).state is State.WAITING:
                self._announce(self.store.update(job, number, state=State.SUPERSEDED, error=SUPERSEDED))

    def _put(self, item: tuple[str, int] | _Query | None) -> None:
        self._queue.put((int(isinstance(item, tuple)), next(self._serial), item))

    def again(self, job: str, number: int) -> JobRevision:
        """Runs a revision that failed or was interrupted once more."""
        revision = self.store.update(
            job, number, state=State.WAITING, error="", stage="", share=0.0, starts=0
        )
        self.submit(job, number)
        return revision

    def stop(self, job: str, number: int) -> None:
        """Takes a revision out of the queue, or ends its work."""
        with self._lock:
            if self._running == (job, number):
                self._worker.cancel()
            elif self.store.revision(job, number).state is State.WAITING:
                self._announce(self.store.update(job, number, state=State.INTERRUPTED, error=CANCELLED))

    def remove(self, job: str) -> None:
        for revision in self.store.job(job).revisions:
            self.stop(job, revision.number)
        self.store.remove(job)
        self.notify({"gone": job})

    def ask(self, task: str, *args: Any) -> Future[Any]:
        """What a task of the worker gives, when its turn comes."""
        answer: Future[Any] = Future()
        self._put(_Query(task, args, answer))
        return answer

    def close(self) -> None:
        """Ends the worker; what was running goes on at the next start."""
        self._closing.set()
        self._put(None)
        self._worker.cancel()
        self._thread.join(5)

    def source(self, job: Job, revision: JobRevision, part: int = 0) -> Source:
        """A revision's input, for the worker."""
        skip = revision.summary.get("skip", 0)
        model = str(self.store.place(job.id) / MODEL)
        return Source(model, job.sha256, job.name, skip, revision.choices, part)

    def _work(self) -> None:
        # The worker belongs to this thread: where that ends, it dies too.
        while not self._closing.is_set():
            try:
                self._worker.start()
                *_, item = self._queue.get()
                if isinstance(item, _Query):
                    self._answer(item)
                elif item is not None:
                    self._run_job(*item)
            except Exception:  # the queue must go on whatever becomes of one job
                _log.exception("a job was lost from the queue")
        self._worker.kill()

    def _answer(self, query: _Query) -> None:
        self._worker.begin()
        try:
            args = (query.task, *query.args)
            query.answer.set_result(self._worker.call(_task, *args, time_limit_s=self.time_limit_s))
        except BaseException as error:
            query.answer.set_exception(error)

    def _run_job(self, job: str, number: int) -> None:
        with self._lock:
            try:
                revision = self.store.revision(job, number)
                if revision.state is not State.WAITING:
                    return
                self._worker.begin()
                self._running = (job, number)
                stage = "waiting for the geometry kernel"
                self._change(job, number, state=State.RUNNING, stage=stage, starts=revision.starts + 1)
            except KeyError:  # removed meanwhile
                return
        start = time.monotonic()
        outcome: dict[str, Any]
        try:
            summary = self._run(self.store.job(job), self.store.revision(job, number))
            outcome = {"state": State.DONE, "stage": "", "share": 1.0, "error": "", "summary": summary}
        except CancelledError:
            outcome = {"state": State.INTERRUPTED, "error": CANCELLED}
            if self._closing.is_set():
                outcome = {"state": State.WAITING, "stage": "", "share": 0.0, "starts": 0}
        except TurnsOverError as error:
            outcome = {"state": State.HELD, "stage": "", "error": str(error), "summary": dict(error.sides)}
        except Exception as error:
            outcome = self._failed(job, error)
        with self._lock:
            self._running = None
            dropped = self.store.dropped(job, number)
            if dropped.exists():
                dropped.unlink(missing_ok=True)
                if outcome["state"] is not State.DONE:
                    outcome = {"state": State.SUPERSEDED, "error": SUPERSEDED}
        self.plans.pop((job, number), None)
        try:
            self._record(job, number, seconds=round(time.monotonic() - start, 2), **outcome)
        except KeyError:  # removed while it ran
            shutil.rmtree(self.store.place(job), ignore_errors=True)

    def _failed(self, job: str, error: Exception) -> dict[str, Any]:
        """What a person is told; a fault that lies in the input is the same at every run."""
        if is_full(error):
            return {"state": State.FAILED, "error": DISK_FULL}
        text = one_line(error)
        if isinstance(error, MENDABLE):
            text = self._in_the_owners_words(job, text)
        return {"state": State.FAILED, "error": text, "summary": {"lasting": is_lasting(error)}}

    def _record(self, job: str, number: int, **outcome: Any) -> None:
        """Writes what a job came to; on a full disk as soon as there is room, before any other job."""
        warned = False
        while not (warned and self._closing.wait(_RETRY_S)):
            try:
                self._change(job, number, **outcome)
                return
            except sqlite3.Error as error:
                if not warned:
                    _log.error("the list of jobs cannot be written (%s): make room", error)
                warned = True

    def _run(self, job: Job, revision: JobRevision) -> dict[str, Any]:
        place, result = self.store.place(job.id), self.store.result(job.id, revision.number)
        shutil.rmtree(result, ignore_errors=True)

        def attempt(skip: Skip, left_s: float) -> dict[str, Any]:
            self.plans.pop((job.id, revision.number), None)
            source = replace(self.source(job, revision), skip=int(skip))
            base = None if revision.sure or revision.base is None else self._base(job, revision.base)
            dropped = str(self.store.dropped(job.id, revision.number))
            args = ("run", source, self.shop, str(place / "view"), str(result), dropped, base)
            summary: dict[str, Any] = self._worker.call(
                _task, *args, time_limit_s=left_s, on_message=on_message
            )
            return summary | {"skip": int(skip)}

        def on_message(message: Mapping[str, Any] | str) -> None:
            if isinstance(message, str):  # the reader's own
                self._change(job.id, revision.number, stage=message)
            elif "parts" in message:
                self.store.name_parts(job.id, message["parts"])
                self.notify({"seen": message["seen"], "job": job.id, "number": revision.number})
            elif "planned" in message:
                plans = self.plans.setdefault((job.id, revision.number), [])
                plans.append(message["planned"])
                self.notify({"planned": len(plans), "job": job.id, "number": revision.number})
            elif "preview" in message:
                self.notify({"preview": job.id})
            else:
                self._change(job.id, revision.number, **message)

        return reading_less(attempt, self.time_limit_s)

    def _base(self, job: Job, number: int) -> Source:
        return self.source(job, self.store.revision(job.id, number))

    def _change(self, job: str, number: int, **changes: Any) -> None:
        self._announce(self.store.update(job, number, **changes))

    def _announce(self, revision: JobRevision) -> None:
        self.notify({"revision": asdict(revision)})

    def _in_the_owners_words(self, job: str, text: str) -> str:
        """With the names that their owner gave the files of a job."""
        with suppress(KeyError):
            found = self.store.job(job)
            names = {MODEL: found.name, **{b["file"]: b["name"] for b in found.blanks}}
            return re.sub("|".join(map(re.escape, names)), lambda match: names[match[0]], text)
        return text


def is_lasting(error: Exception) -> bool:
    """Whether another run of the same input would end the same way."""
    passing = (Code.CRASHED, Code.TIMED_OUT, Code.OUT_OF_MEMORY)
    return isinstance(error, (StepError, ChoicesError)) and getattr(error, "code", None) not in passing


def _task(name: str, *args: Any) -> Any:
    """In the worker alone: the tasks load the kernel."""
    from routing.web import tasks

    return tasks.TASKS[name](*args)


def _load() -> None:
    """In the worker: the kernel and its tables, before the first file comes."""
    with suppress(Exception):  # what is wrong is warned by the first task
        from routing.web import tasks

        tasks.warm_up()

"""The job queue: jobs are given to a few warm workers in a fair order, and whoever listens is warned."""

from __future__ import annotations

import logging
import re
import shutil
import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from featurize.errors import Code, StepError
from featurize.step.read import Skip, reading_less
from routing.inputs.choices import ChoicesError
from routing.jobs.errors import MENDABLE, one_line
from routing.jobs.workers.warm import CancelledError, WarmWorker
from routing.web.liking import describe
from routing.web.line import Turn, Waiting, WaitingLine
from routing.web.records import Job, JobRevision, Source, State, TurnsOverError
from routing.web.similar import similar_to
from routing.web.store import DISK_FULL, PREVIEW, Store, is_full

Notify = Callable[[Mapping[str, Any]], None]
CANCELLED = "stopped by a person: it can be run again."
SUPERSEDED = "a newer answer took its place."
NOT_COUNTED = "not counted: it would have turned the part over."
# Between attempts to write what a job came to, where the disk is full.
_RETRY_S = 2.0
_log = logging.getLogger("dieroute")


# What a file that nobody has run yet is thought to cost: so much of it a second.
_BYTES_A_SECOND = 20_000.0
_LEAST_S = 0.5
# A job that is thought to take longer leaves a lane free for the short ones, where there is more than one.
_LONG_S = 30.0
# Jobs whose stages a worker still has (see StageCache).
_KEPT = 6


@dataclass(frozen=True)
class _Query:
    """Something other than a job to ask a worker about a job; the answer goes to ``answer``.

    A ``long`` one takes its time: it is left to the workers of jobs, lest a person wait behind it.
    """

    task: str
    args: tuple[Any, ...]
    job: str
    answer: Future[Any]
    long: bool = False


@dataclass(eq=False)
class _Lane:
    """A worker with its thread. ``front``: it answers queries alone, so that they never wait for a job."""

    worker: WarmWorker
    front: bool = False
    idle: bool = False
    running: Turn | None = None
    long: bool = False
    kept: deque[str] = field(default_factory=lambda: deque(maxlen=_KEPT))


class JobQueue:
    """A line of waiting jobs and ``workers`` lanes, and a lane for what a person waits for at the page.

    ``notify`` gets each change of a revision, from any thread. ``plans`` has the parts of running revisions
    (job, number) whose papers are still being made.
    """

    def __init__(
        self,
        store: Store,
        notify: Notify = lambda message: None,
        *,
        shop: Path | None = None,
        time_limit_s: float = 600.0,
        workers: int = 2,
    ) -> None:
        self.store, self.notify = store, notify
        self.shop = str(shop.absolute()) if shop else None
        self.time_limit_s = time_limit_s
        self._front = _Lane(WarmWorker(_load), front=True)
        self._lanes = [_Lane(WarmWorker(_load)) for _ in range(max(1, workers))]
        self._line = WaitingLine()
        self._queries: deque[_Query] = deque()
        self.plans: dict[Turn, list[dict[str, Any]]] = {}
        self._closing = threading.Event()
        self._lock = threading.RLock()
        self._news = threading.Condition(self._lock)
        self._threads = [
            threading.Thread(target=self._work, args=(lane,), name="jobs", daemon=True)
            for lane in (self._front, *self._lanes)
        ]
        for revision in store.waiting():
            self._put(revision)
        for thread in self._threads:
            thread.start()

    @property
    def worker_pid(self) -> int | None:
        """Of the worker that runs a job, else of the first."""
        return next((lane for lane in self._lanes if lane.running), self._lanes[0]).worker.pid

    def submit(self, job: str, number: int) -> None:
        revision = self.store.revision(job, number)
        self._put(revision)
        self._announce(revision)
        self._tell_line()

    def line(self) -> list[Turn]:
        """What waits, in the order in which it would be begun."""
        with self._lock:
            return self._line.order()

    def _tell_line(self) -> None:
        self.notify({"line": self.line()})

    def revise(
        self,
        job: str,
        choices: Mapping[str, Any],
        *,
        base: int | None = None,
        sure: bool = True,
        latest: int | None = None,
        who: str = "",
    ) -> JobRevision:
        """A new revision in the queue; where ``base`` is not worked out yet it need not be any more.

        Raises ForkError where there is one after the ``latest`` that is known.
        """
        revision = self.store.revise(job, choices, base=base, sure=sure, latest=latest, who=who)
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
            if self._lane_of(job, number):
                self.store.dropped(job, number).touch()
            elif self.store.revision(job, number).state is State.WAITING:
                self._line.drop((job, number))
                self._announce(self.store.update(job, number, state=State.SUPERSEDED, error=SUPERSEDED))

    def _lane_of(self, job: str, number: int) -> _Lane | None:
        return next((lane for lane in self._lanes if lane.running == (job, number)), None)

    def _put(self, revision: JobRevision) -> None:
        job = self.store.job(revision.job)
        known = [r.seconds for r in job.revisions if r.seconds and r.state is State.DONE]
        cost_s = known[-1] if known else job.drawing(revision.drawing)["bytes"] / _BYTES_A_SECOND
        view = self.store.view(job.id, revision.drawing)
        if not (view / PREVIEW).exists() and not (view / "0.json").exists():
            looked = self.ask("look", str(self.store.model(job.id, revision.drawing)), str(view / PREVIEW))
            looked.add_done_callback(
                lambda done: None if done.exception() else self.notify({"preview": job.id})
            )
        with self._news:
            self._line.put((job.id, revision.number), max(cost_s, _LEAST_S))
            self._news.notify_all()

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
            if lane := self._lane_of(job, number):
                lane.worker.cancel()
            elif self.store.revision(job, number).state is State.WAITING:
                self._line.drop((job, number))
                self._announce(self.store.update(job, number, state=State.INTERRUPTED, error=CANCELLED))
                self._tell_line()

    def remove(self, job: str) -> None:
        for revision in self.store.job(job).revisions:
            self.stop(job, revision.number)
        self.store.remove(job)
        self.notify({"gone": job})

    def ask(self, task: str, *args: Any, job: str = "", long: bool = False) -> Future[Any]:
        """What a task of a worker gives; unless it is ``long`` it waits for no job. ``job``: whose stages
        would help."""
        answer: Future[Any] = Future()
        with self._news:
            self._queries.append(_Query(task, args, job, answer, long))
            self._news.notify_all()
        return answer

    def close(self) -> None:
        """Ends the workers; what was running goes on at the next start."""
        self._closing.set()
        with self._news:
            self._news.notify_all()
        for lane in (self._front, *self._lanes):
            lane.worker.cancel()
        for thread in self._threads:
            thread.join(5)

    def source(self, job: Job, revision: JobRevision, part: int = 0) -> Source:
        """A revision's input, for the worker."""
        skip = revision.summary.get("skip", 0)
        drawing = job.drawing(revision.drawing)
        model = str(self.store.model(job.id, revision.drawing))
        return Source(model, drawing["sha256"], drawing["name"], skip, revision.choices, part)

    def _work(self, lane: _Lane) -> None:
        # The worker belongs to this thread: where that ends, it dies too.
        if lane.front:
            with suppress(Exception):  # the first query would tell
                lane.worker.start()
        while (item := self._next(lane)) is not None:
            try:
                if isinstance(item, _Query):
                    self._answer(lane, item)
                else:
                    self._run_job(lane, *item)
            except Exception:  # the queue must go on whatever becomes of one job
                _log.exception("a job was lost from the queue")
            finally:
                with self._news:
                    lane.running, lane.long = None, False
                    self._news.notify_all()
        lane.worker.kill()

    def _next(self, lane: _Lane) -> _Query | Turn | None:
        """Waits for what this lane is to do; None when all ends."""
        with self._news:
            lane.idle = True
            try:
                while not self._closing.is_set():
                    if (query := self._query_for(lane)) is not None:
                        return query
                    if not lane.front and (found := self._line.take(lambda w: self._fits(lane, w))):
                        lane.running, lane.long = found.turn, found.cost_s > _LONG_S
                        return found.turn
                    self._news.wait()
                return None
            finally:
                lane.idle = False
                self._news.notify_all()

    def _query_for(self, lane: _Lane) -> _Query | None:
        for query in self._queries:
            mine = not self._is_kept_elsewhere(lane, query.job) if lane.front else query.job in lane.kept
            if query.long:
                mine = not lane.front and (mine or not self._is_kept_elsewhere(lane, query.job))
            if mine:
                self._queries.remove(query)
                return query
        return None

    def _is_kept_elsewhere(self, lane: _Lane, job: str) -> bool:
        """Whether another lane that has nothing to do still has the stages of a job."""
        return any(job in other.kept for other in self._lanes if other is not lane and other.idle)

    def _fits(self, lane: _Lane, waiting: Waiting) -> bool:
        job = waiting.turn[0]
        if any(other.running and other.running[0] == job for other in self._lanes):
            return False  # one of a job at a time: the next has its stages
        if job not in lane.kept and self._is_kept_elsewhere(lane, job):
            return False
        long = sum(other.long for other in self._lanes)
        return waiting.cost_s <= _LONG_S or long < max(1, len(self._lanes) - 1)

    def _answer(self, lane: _Lane, query: _Query) -> None:
        if not query.answer.set_running_or_notify_cancel():
            return  # who asked has gone
        lane.worker.begin()
        try:
            args = (query.task, *query.args)
            answer = lane.worker.call(_task, *args, time_limit_s=self.time_limit_s)
        except BaseException as error:
            query.answer.set_exception(error)
        else:
            query.answer.set_result(answer)

    def _run_job(self, lane: _Lane, job: str, number: int) -> None:
        self._tell_line()
        with self._lock:
            try:
                revision = self.store.revision(job, number)
                if revision.state is not State.WAITING:
                    return
                lane.worker.begin()
                stage = "waiting for the geometry kernel"
                self._change(job, number, state=State.RUNNING, stage=stage, starts=revision.starts + 1)
            except KeyError:  # removed meanwhile
                return
        start = time.monotonic()
        outcome: dict[str, Any]
        try:
            summary = self._run(lane, self.store.job(job), self.store.revision(job, number))
            if job not in lane.kept:
                lane.kept.append(job)
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
            lane.running = None
            dropped = self.store.dropped(job, number)
            if dropped.exists():
                dropped.unlink(missing_ok=True)
                if outcome["state"] is not State.DONE:
                    outcome = {"state": State.SUPERSEDED, "error": SUPERSEDED}
        self.plans.pop((job, number), None)
        try:
            self._record(job, number, seconds=round(time.monotonic() - start, 2), **outcome)
            with suppress(OSError, sqlite3.Error):  # it is looked for again at the next start
                describe(self.store, job, number)
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

    def _run(self, lane: _Lane, job: Job, revision: JobRevision) -> dict[str, Any]:
        result = self.store.result(job.id, revision.number)
        view = self.store.view(job.id, revision.drawing)
        shutil.rmtree(result, ignore_errors=True)

        def attempt(skip: Skip, left_s: float) -> dict[str, Any]:
            self.plans.pop((job.id, revision.number), None)
            source = replace(self.source(job, revision), skip=int(skip))
            dropped = str(self.store.dropped(job.id, revision.number))
            ahead = _Before(self, job, revision)
            args = ("run", source, self.shop, str(view), str(result), dropped, ahead.held, ahead.carried)
            summary: dict[str, Any] = lane.worker.call(
                _task, *args, time_limit_s=left_s, on_message=on_message
            )
            return summary | {"skip": int(skip)}

        def on_message(message: Mapping[str, Any] | str) -> None:
            if isinstance(message, str):  # the reader's own
                self._change(job.id, revision.number, stage=message)
            elif "parts" in message:
                self.store.name_parts(job.id, message["parts"], revision.drawing)
                if message["seen"] == len(message["parts"]):
                    with suppress(KeyError):  # removed meanwhile
                        self._look_for_similar(job.id)
                self.notify({"seen": message["seen"], "job": job.id, "number": revision.number})
            elif "planned" in message:
                plans = self.plans.setdefault((job.id, revision.number), [])
                plans.append(message["planned"])
                self.notify({"planned": len(plans), "job": job.id, "number": revision.number})
            else:
                self._change(job.id, revision.number, **message)

        return reading_less(attempt, self.time_limit_s)

    def _look_for_similar(self, job: str) -> None:
        """Whether it may be the next drawing of an earlier job: a person is asked."""
        found = self.store.job(job)
        if len(found.drawings) == 1 and len(found.revisions) == 1 and not found.similar:
            with self._lock:
                similar = similar_to(found, self.store.find(limit=1000))
                if similar:
                    self.store.propose(job, similar)

    def _change(self, job: str, number: int, **changes: Any) -> None:
        self._announce(self.store.update(job, number, **changes))

    def _announce(self, revision: JobRevision) -> None:
        self.notify({"revision": asdict(revision)})

    def _in_the_owners_words(self, job: str, text: str) -> str:
        """With the names that their owner gave the files of a job."""
        with suppress(KeyError):
            found = self.store.job(job)
            names = {self.store.model(job, d["number"]).name: d["name"] for d in found.drawings}
            names |= {b["file"]: b["name"] for b in found.blanks}
            return re.sub("|".join(map(re.escape, names)), lambda match: names[match[0]], text)
        return text


class _Before:
    """What a revision builds on: ``held`` where it must not turn the part over against it without a word,
    ``carried`` where its decisions are to find their places in another drawing."""

    def __init__(self, jobs: JobQueue, job: Job, revision: JobRevision) -> None:
        self.held: Source | None = None
        self.carried: Source | None = None
        base = next((r for r in job.revisions if r.number == revision.base), None)
        if base is None:
            return
        if base.drawing != revision.drawing:
            self.carried = jobs.source(job, base)
        elif not revision.sure:
            self.held = jobs.source(job, base)


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

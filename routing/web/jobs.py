"""The desk: takes jobs in, gives them to the worker one by one, and tells whoever listens."""

from __future__ import annotations

import queue
import re
import shutil
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from dataclasses import asdict, dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from featurize.errors import StepError
from featurize.step.read import Skip, reading_less
from routing.inputs.choices import ChoicesError
from routing.inputs.shop import ShopError
from routing.jobs.staging import OutputError
from routing.web.store import MODEL, Job, Revision, State, Store
from routing.web.warm import StoppedError, Warm

Tell = Callable[[Mapping[str, Any]], None]
STOPPED = "stopped by a person: it can be run again."


@dataclass(frozen=True)
class _Errand:
    """Something other than a job to ask the worker; the answer goes to ``answer``."""

    task: str
    args: tuple[Any, ...]
    answer: Future[Any]


class Desk:
    """One worker, one line of waiting jobs. ``tell`` gets each change of a revision, from any thread."""

    def __init__(
        self,
        store: Store,
        tell: Tell = lambda message: None,
        *,
        shop: Path | None = None,
        time_limit_s: float = 600.0,
    ) -> None:
        self.store, self.tell = store, tell
        self.shop = str(shop.absolute()) if shop else None
        self.time_limit_s = time_limit_s
        self._warm = Warm()
        self._line: queue.Queue[tuple[str, int] | _Errand | None] = queue.Queue()
        self._running: tuple[str, int] | None = None
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._work, name="desk", daemon=True)
        for revision in store.waiting():
            self._line.put((revision.job, revision.number))
        self._thread.start()

    @property
    def worker_pid(self) -> int | None:
        return self._warm.pid

    def submit(self, job: str, number: int) -> None:
        self._line.put((job, number))
        self._say(self.store.revision(job, number))

    def again(self, job: str, number: int) -> Revision:
        """Runs a revision that failed or was interrupted once more."""
        revision = self.store.update(job, number, state=State.WAITING, error="", stage="", share=0.0)
        self.submit(job, number)
        return revision

    def stop(self, job: str, number: int) -> None:
        """Takes a revision out of the line, or ends its work."""
        with self._lock:
            if self._running == (job, number):
                self._warm.stop()
            elif self.store.revision(job, number).state is State.WAITING:
                self._say(self.store.update(job, number, state=State.INTERRUPTED, error=STOPPED))

    def remove(self, job: str) -> None:
        for revision in self.store.job(job).revisions:
            self.stop(job, revision.number)
        self.store.remove(job)
        self.tell({"gone": job})

    def ask(self, task: str, *args: Any) -> Future[Any]:
        """What a task of the worker gives, when its turn comes."""
        answer: Future[Any] = Future()
        self._line.put(_Errand(task, args, answer))
        return answer

    def close(self) -> None:
        """Ends the worker; what was running is found "interrupted" at the next start."""
        self._line.put(None)
        self._warm.stop()
        self._thread.join(5)

    def source(self, job: Job, revision: Revision) -> dict[str, Any]:
        """A revision's input, for the worker."""
        return {
            "model": str(self.store.place(job.id) / MODEL),
            "sha256": job.sha256,
            "name": job.name,
            "skip": revision.summary.get("skip", 0),
            "choices": revision.choices,
        }

    def _work(self) -> None:
        # The worker belongs to this thread: where that ends, it dies too.
        self._warm.start()
        while (item := self._line.get()) is not None:
            if isinstance(item, _Errand):
                self._run_errand(item)
            else:
                self._run_job(*item)
            self._warm.start()
        self._warm.kill()

    def _run_errand(self, errand: _Errand) -> None:
        try:
            answer = self._warm.ask(errand.task, *errand.args, time_limit_s=self.time_limit_s)
            errand.answer.set_result(answer)
        except BaseException as error:
            errand.answer.set_exception(error)

    def _run_job(self, job: str, number: int) -> None:
        with self._lock:
            try:
                if self.store.revision(job, number).state is not State.WAITING:
                    return
                self._running = (job, number)
                self._change(job, number, state=State.RUNNING, stage="waiting for the geometry kernel")
            except KeyError:  # forgotten meanwhile
                return
        start = time.monotonic()
        try:
            summary = self._run(self.store.job(job), self.store.revision(job, number))
            outcome = {"state": State.DONE, "stage": "", "share": 1.0, "error": "", "summary": summary}
        except StoppedError:
            outcome = {"state": State.INTERRUPTED, "error": STOPPED}
        except Exception as error:
            outcome = {"state": State.FAILED, "error": one_line(error, self._names(job))}
        with self._lock:
            self._running = None
        try:
            self._change(job, number, seconds=round(time.monotonic() - start, 2), **outcome)
        except KeyError:  # forgotten while it ran
            shutil.rmtree(self.store.place(job), ignore_errors=True)

    def _run(self, job: Job, revision: Revision) -> dict[str, Any]:
        place, result = self.store.place(job.id), self.store.result(job.id, revision.number)
        shutil.rmtree(result, ignore_errors=True)

        def attempt(skip: Skip, left_s: float) -> dict[str, Any]:
            source = self.source(job, revision) | {"skip": int(skip)}
            said: dict[str, Any] = self._warm.ask(
                "run", source, self.shop, str(place / "view"), str(result), time_limit_s=left_s, hear=hear
            )
            return said | {"skip": int(skip)}

        def hear(message: Mapping[str, Any]) -> None:
            if "parts" in message:
                self.store.name_parts(job.id, message["parts"])
                self.tell({"seen": message["seen"], "job": job.id, "number": revision.number})
            elif "glimpse" in message:
                self.tell({"glimpse": job.id})
            else:
                self._change(job.id, revision.number, **message)

        return reading_less(attempt, self.time_limit_s)

    def _change(self, job: str, number: int, **changes: Any) -> None:
        self._say(self.store.update(job, number, **changes))

    def _say(self, revision: Revision) -> None:
        self.tell({"revision": asdict(revision)})

    def _names(self, job: str) -> dict[str, str]:
        """What the files of a job are called by their owner."""
        try:
            found = self.store.job(job)
        except KeyError:
            return {}
        return {MODEL: found.name, **{b["file"]: b["name"] for b in found.blanks}}


def one_line(error: BaseException, names: Mapping[str, str] = MappingProxyType({})) -> str:
    """What a person is told: the tool's one line, with the customer's own ``names`` for our files."""
    text = " ".join(str(error).split()) or "no message"
    if isinstance(error, StepError | ChoicesError | ShopError | OutputError):
        return re.sub("|".join(map(re.escape, names)), lambda m: names[m[0]], text) if names else text
    return f"a fault of the program, not of the file: {type(error).__name__}: {text}"

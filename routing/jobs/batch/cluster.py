"""The same tasks over a cluster: each of its workers keeps a warm process of its own.

The processes have the limits and the isolation of a local pool, so a deadly file costs no worker of the
cluster; one that is lost all the same has its task done by another. Workers run the same program and
share the folders under the same paths.
"""

from __future__ import annotations

import threading
import time
from contextlib import suppress
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from featurize.errors import Code
from featurize.isolate import ended
from routing.jobs.batch.task import FileTask, pool
from routing.jobs.errors import OutputError
from routing.jobs.job_inputs import program
from routing.jobs.workers.pool import Limits, Outcome, Pool

if TYPE_CHECKING:
    from distributed import Client

_CONNECT_S = 10
_TICK_S = 0.05
# Each thread of a worker of the cluster, in that worker's process.
_thread = threading.local()


class Cluster:
    """An executor over the scheduler at ``address``; OutputError when it cannot be used."""

    def __init__(self, address: str, limits: Limits) -> None:
        try:
            from distributed import Client
        except ImportError as error:
            raise OutputError("--cluster needs an extra: install dieroute[cluster].") from error
        try:
            self._client: Client = Client(address, timeout=_CONNECT_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise OutputError(f"no cluster answers at {address}: check the address.") from error
        try:
            others = [a for a, found in self._client.run(program).items() if found != program()]
            self._threads: int = sum(self._client.nthreads().values())
        except BaseException as error:
            self._client.close()
            if not isinstance(error, Exception):
                raise
            raise OutputError(f"the workers at {address} cannot run dieroute: install it there.") from error
        if others or not self._threads:
            self._client.close()
            what = f"{', '.join(others)} run another version" if others else f"no workers at {address}"
            raise OutputError(f"{what}: start workers with this version of dieroute.")
        self._limits = limits
        self._futures: dict[Any, tuple[FileTask, float]] = {}

    @property
    def size(self) -> int:
        return self._threads

    @property
    def backlog(self) -> int:
        return len(self._futures)

    def busy(self) -> list[str]:
        return []

    def submit(self, task: Any) -> None:
        future = self._client.submit(_do, task, self._limits, pure=False)
        self._futures[future] = (task, time.monotonic())

    def finished(self, timeout_s: float) -> list[Outcome]:
        """As of a pool."""
        deadline = time.monotonic() + timeout_s
        while not (done := [f for f in self._futures if f.done()]) and time.monotonic() < deadline:
            time.sleep(_TICK_S)
        return [self._outcome(future) for future in done]

    def _outcome(self, future: Any) -> Outcome:
        task, since = self._futures.pop(future)
        try:
            found: Outcome = future.result()
        except Exception as error:
            from distributed import KilledWorker

            how = "workers of the cluster died one after another on this model"
            lost = ended(Code.CRASHED, how) if isinstance(error, KilledWorker) else error
            return Outcome(task, None, lost, time.monotonic() - since, 0.0)
        return found

    def close(self) -> None:
        with suppress(Exception):
            self._client.cancel(list(self._futures))
        self._client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _do(task: FileTask, limits: Limits) -> Outcome:
    """Runs on the cluster."""
    warm: Pool | None = getattr(_thread, "pool", None)
    if warm is None or _thread.limits != limits:
        if warm is not None:
            warm.close()
        warm = pool(1, limits)
        _thread.pool, _thread.limits = warm, limits
    warm.submit(task)
    while not (done := warm.finished(1.0)):
        pass
    return done[0]

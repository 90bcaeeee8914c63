"""One worker that stays: it keeps the kernel loaded and remembers what it worked out.

A crash or an endless loop of the kernel costs this child only: it is ended, and the next call starts another.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from featurize.errors import StepError
from featurize.isolate import Child, StartError


class CancelledError(Exception):
    """The call was cancelled."""


class WarmWorker:
    """Does calls one at a time in a child that stays; ``cancel`` is for any thread, the rest for one."""

    def __init__(self, warm_up: Callable[[], None]) -> None:
        self._warm_up = warm_up
        self._child: Child | None = None
        self._cancelled = threading.Event()

    @property
    def pid(self) -> int | None:
        return self._child.pid if self._child is not None else None

    def start(self) -> Child:
        """The child, started where none lives; it loads the kernel meanwhile."""
        if self._child is None or not self._child.alive:
            self.kill()
            self._child = Child(self._warm_up)
        return self._child

    def call(
        self,
        function: Callable[..., Any],
        *args: Any,
        time_limit_s: float,
        on_message: Callable[[Any], None] | None = None,
    ) -> Any:
        """What the function gives; ``on_message`` gets what it passes to ``isolate.report``.

        Raises StepError for a crash or when time is up, CancelledError, and what the function raises.
        """
        child = self.start()
        try:
            child.send(function, *args)
            if self._cancelled.is_set():
                child.kill()
            return child.result(time_limit_s, on_message)
        except (StepError, StartError, OSError):
            if self._cancelled.is_set():
                raise CancelledError from None
            raise

    def begin(self) -> None:
        """Forgets earlier cancelling: from now on it is the next call that is cancelled."""
        self._cancelled.clear()

    def cancel(self) -> None:
        """Ends the running call, or the next one when none has begun."""
        self._cancelled.set()
        if (child := self._child) is not None:
            child.interrupt()

    def kill(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.kill()

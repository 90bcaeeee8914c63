"""Results of earlier work, known by what they depend on: only what a new choice touches is done again."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, TypeVar

T = TypeVar("T")


@dataclass(frozen=True)
class Took:
    """One step of a job: ``seconds`` it took, and whether it was remembered from an earlier job."""

    step: str
    seconds: float
    kept: bool


class Forgetful:
    """Remembers nothing: every job stands alone."""

    remembers = False

    def recall(self, step: str, key: Hashable, make: Callable[[], T]) -> T:
        """What ``make`` gives; ``key`` must hold everything that it depends on."""
        del key
        return self.time(step, make)

    def time(self, step: str, make: Callable[[], T]) -> T:
        """What ``make`` gives, made anew."""
        del step
        return make()


class Memory(Forgetful):
    """Keeps the latest ``kept`` results of each step. ``took``: what the steps cost."""

    remembers = True

    def __init__(self, kept: int = 6) -> None:
        self._kept = kept
        self._results: dict[str, OrderedDict[Hashable, Any]] = {}
        self.took: list[Took] = []

    def recall(self, step: str, key: Hashable, make: Callable[[], T]) -> T:
        results = self._results.setdefault(step, OrderedDict())
        if key in results:
            self.took.append(Took(step, 0.0, kept=True))
        else:
            results[key] = self.time(step, make)
        results.move_to_end(key)
        while len(results) > self._kept:
            results.popitem(last=False)
        found: T = results[key]
        return found

    def time(self, step: str, make: Callable[[], T]) -> T:
        start = time.perf_counter()
        made = make()
        self.took.append(Took(step, time.perf_counter() - start, kept=False))
        return made

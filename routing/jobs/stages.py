"""Results of earlier jobs' stages, known by what they depend on: only what a new choice touches is redone."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, TypeVar

T = TypeVar("T")


@dataclass(frozen=True)
class StageTime:
    """One stage of a job: ``seconds`` it was waited for, and whether an earlier job's result was kept."""

    stage: str
    seconds: float
    kept: bool


class NoCache:
    """Keeps nothing: every job stands alone."""

    keeps = False

    def get_or_make(self, stage: str, key: Hashable, make: Callable[[], T]) -> T:
        """What ``make`` gives; ``key`` must hold everything that it depends on (see ``Inputs``)."""
        del key
        return self.time(stage, make)

    def knows(self, stage: str, key: Callable[[], Hashable]) -> bool:
        """Whether ``get_or_make`` would give what was made before."""
        del stage, key
        return False

    def time(self, stage: str, make: Callable[[], T]) -> T:
        """What ``make`` gives, made anew."""
        del stage
        return make()


NO_CACHE = NoCache()


class StageCache(NoCache):
    """Keeps the latest ``size`` results of each stage. ``times``: what the stages cost."""

    keeps = True

    def __init__(self, size: int = 6) -> None:
        self._size = size
        self._results: dict[str, OrderedDict[Hashable, Any]] = {}
        self.times: list[StageTime] = []

    def get_or_make(self, stage: str, key: Hashable, make: Callable[[], T]) -> T:
        results = self._results.setdefault(stage, OrderedDict())
        if key in results:
            self.times.append(StageTime(stage, 0.0, kept=True))
        else:
            results[key] = self.time(stage, make)
        results.move_to_end(key)
        while len(results) > self._size:
            results.popitem(last=False)
        found: T = results[key]
        return found

    def knows(self, stage: str, key: Callable[[], Hashable]) -> bool:
        return stage in self._results and key() in self._results[stage]

    def time(self, stage: str, make: Callable[[], T]) -> T:
        start = time.perf_counter()
        made = make()
        self.times.append(StageTime(stage, time.perf_counter() - start, kept=False))
        return made

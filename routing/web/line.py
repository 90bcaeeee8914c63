"""Who is next: the waiting jobs in a fair order.

Self-clocked fair queueing (Golestani, INFOCOM 1994), each job a flow of its own: what comes is stamped with
the clock plus what it is thought to cost, the least stamp goes first, and the clock is the stamp of what went
last. A short job overtakes long ones, and no long one is overtaken for ever.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

Turn = tuple[str, int]  # a job and its revision


@dataclass(frozen=True, order=True)
class Waiting:
    """``stamp`` and ``serial`` give the order; ``cost_s`` is what it is thought to take."""

    stamp: float
    serial: int
    turn: Turn
    cost_s: float


class WaitingLine:
    """Not for several threads at once: its owner has the lock."""

    def __init__(self) -> None:
        self._waiting: list[Waiting] = []
        self._clock = 0.0
        self._serial = itertools.count()

    def put(self, turn: Turn, cost_s: float) -> None:
        self._waiting.append(Waiting(self._clock + cost_s, next(self._serial), turn, cost_s))
        self._waiting.sort()

    def take(self, fits: Callable[[Waiting], bool]) -> Waiting | None:
        """The first one that ``fits``, which leaves the line."""
        found = next((w for w in self._waiting if fits(w)), None)
        if found is not None:
            self._waiting.remove(found)
            self._clock = max(self._clock, found.stamp)
        return found

    def drop(self, turn: Turn) -> None:
        """Takes one out, wherever it stands."""
        self._waiting = [w for w in self._waiting if w.turn != turn]

    def order(self) -> list[Turn]:
        return [w.turn for w in self._waiting]

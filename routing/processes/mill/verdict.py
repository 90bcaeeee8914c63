"""What milling answers."""

from __future__ import annotations

from dataclasses import dataclass

from routing.processes.protocol import Verdict

MILL = "mill"


@dataclass(frozen=True, kw_only=True)
class MillVerdict(Verdict):
    """``reach_mm`` is how deep the tool must come, ``drilled`` (diameter, depth) of each straight bore.

    ``thread_reach_mm`` is how much of a thread the thread mill gets to.
    """

    reach_mm: float = 0.0
    drilled: tuple[tuple[float, float], ...] = ()
    thread_reach_mm: float | None = None

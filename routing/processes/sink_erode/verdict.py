"""What sink-erosion answers."""

from __future__ import annotations

from dataclasses import dataclass

from routing.processes.protocol import Verdict

SINK = "sink-erode"


@dataclass(frozen=True, kw_only=True)
class SinkVerdict(Verdict):
    """``depth_mm`` of the sink; ``sideways_mm`` how far an electrode moves below an undercut's mouth."""

    depth_mm: float = 0.0
    sideways_mm: float | None = None

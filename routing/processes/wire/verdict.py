"""What wire erosion answers."""

from __future__ import annotations

from dataclasses import dataclass

from featurize.feature import Vec3
from routing.processes.protocol import Verdict
from routing.processes.tools import Wire
from routing.processes.wire.start_holes import StartHole

WIRE = "wire"


@dataclass(frozen=True, kw_only=True)
class WireVerdict(Verdict):
    """``corner_radius_mm`` is the tightest inside corner, 0 where the model is sharp, None where there is none.

    ``start_hole`` is None for what is started from the edge, ``start_at`` its place (model mm) on the top.
    """

    height_mm: float = 0.0
    taper_deg: float = 0.0
    corner_radius_mm: float | None = None
    start_hole: StartHole | None = None
    start_at: Vec3 | None = None

    @property
    def wire(self) -> Wire | None:
        return self.tool if isinstance(self.tool, Wire) else None

"""What surface grinding answers."""

from __future__ import annotations

from dataclasses import dataclass

from routing.processes.protocol import Verdict
from routing.processes.tools import Wheel

GRIND = "surface grind"


@dataclass(frozen=True, kw_only=True)
class GrindVerdict(Verdict):
    """``depth_mm`` is from the part's top to the lowest ground point, ``run_mm`` the length along the traverse.

    ``slopes_deg`` are set on a sine plate or dressed, ``formed_mm`` radii that the wheel is dressed to.
    """

    depth_mm: float = 0.0
    run_mm: float = 0.0
    slopes_deg: tuple[float, ...] = ()
    formed_mm: tuple[float, ...] = ()

    @property
    def wheel(self) -> Wheel | None:
        return self.tool if isinstance(self.tool, Wheel) else None

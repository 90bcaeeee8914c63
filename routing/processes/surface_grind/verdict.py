"""What surface grinding answers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from routing.processes.protocol import Verdict
from routing.processes.tools import Wheel

if TYPE_CHECKING:
    from routing.processes.surface_grind.reach import Grind

GRIND = "surface grind"


@dataclass(frozen=True, kw_only=True)
class GrindVerdict(Verdict):
    """``depth_mm`` is from the part's top to the lowest ground point, ``run_mm`` how long the traverse is.

    ``slopes_deg`` are set on a sine plate or dressed, ``formed_mm`` radii that the wheel is dressed to.
    ``way`` is how the wheel comes, also where it takes only ``taken_mm3`` and leaves a rest; ``stops`` tells
    where it turns before what stands in its way.
    """

    depth_mm: float = 0.0
    run_mm: float = 0.0
    slopes_deg: tuple[float, ...] = ()
    formed_mm: tuple[float, ...] = ()
    taken_mm3: float | None = None
    stops: tuple[str, ...] = ()
    way: Grind | None = field(default=None, repr=False, compare=False)

    @property
    def wheel(self) -> Wheel | None:
        return self.tool if isinstance(self.tool, Wheel) else None

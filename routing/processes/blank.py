"""What the part is cut from, as every process sees it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from featurize.brep.surfaces import Array


class Shape(StrEnum):
    BLOCK = "block"
    DISC = "disc"
    GIVEN = "given"


@dataclass(frozen=True, eq=False)
class Blank:
    """A solid in the part's model coordinates; ``corners`` (8, 3) box it, ``size_mm`` says it in words."""

    shape: Shape
    solid: Any
    volume_mm3: float
    corners: Array
    size: str

    def extent(self, direction: Array) -> tuple[float, float]:
        """Low and high reach (mm) along a direction, from the model's origin; never too short."""
        reach = self.corners @ direction
        return float(reach.min()), float(reach.max())

"""What the part is cut from, as every process sees it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np

from featurize import tolerances as tol
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
    round: tuple[Array, Array, float] | None = None  # centre (3,), axis (3,), radius of a disc

    def extent(self, direction: Array) -> tuple[float, float]:
        """Low and high reach (mm) along a direction, from the model's origin; never too short."""
        reach = self.corners @ direction
        return float(reach.min()), float(reach.max())

    def is_outside(self, points: Array) -> bool:
        """Whether points (n, 3) of the part lie on the round of a disc, to what the mesh may miss."""
        if self.round is None:
            return False
        centre, axis, radius = self.round
        away = points - centre
        away = away - np.outer(away @ axis, axis)
        off = np.linalg.norm(away, axis=1) - radius
        return bool(np.all(np.abs(off) < 2 * tol.SURFACE_MM))


@dataclass(frozen=True, eq=False)
class Blanks:
    """``bought`` is what comes into the shop, ``squared`` what is left of it once its outside is to size.

    ``soft`` is the blank as squared before hardening, with what is left on for that.
    """

    bought: Blank
    squared: Blank
    soft: Blank | None = None

    @property
    def squaring_mm3(self) -> float:
        return max(0.0, self.bought.volume_mm3 - self.squared.volume_mm3)

    def margin_mm(self, direction: Array) -> float:
        """What stands over the squared blank towards a unit direction (model coordinates)."""
        return max(0.0, self.bought.extent(direction)[1] - (self.soft or self.squared).extent(direction)[1])

    @cached_property
    def facets(self) -> Array:
        """Facets (m, 3, 3) of a squared blank that is no plain block."""
        from featurize.brep.solids import facets

        return facets(self.squared.solid)

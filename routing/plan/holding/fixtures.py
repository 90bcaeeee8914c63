"""What holds the stock, as exact simple solids that stand where it does.

Plain data in model coordinates, mm. What bears is true to what was found to hold, what goes on beyond it is
drawn: a shop's own jaws and plates have sizes of their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from featurize.brep.frame import Frame
from featurize.brep.surfaces import Array
from featurize.feature import Vec3
from featurize.recognise.scene import vec

# How far what is drawn goes on beyond what bears (no source: it is drawn so).
JAW_MM = 12.0
PLATE_MM = 10.0
MARGIN_MM = 8.0


@dataclass(frozen=True)
class Box:
    """From ``corner`` along the unit directions ``x``, ``y`` and their cross product."""

    corner: Vec3
    x: Vec3
    y: Vec3
    size_mm: Vec3

    @property
    def axes(self) -> Array:
        """Rows x, y, z (3, 3)."""
        return np.array([self.x, self.y, np.cross(self.x, self.y)])

    def corners(self) -> Array:
        """(8, 3)."""
        shares = np.array([[b >> k & 1 for k in range(3)] for b in range(8)])
        return np.asarray(np.array(self.corner) + (shares * self.size_mm) @ self.axes)


@dataclass(frozen=True)
class Rod:
    """A cylinder from ``base`` along the unit direction ``axis``."""

    base: Vec3
    axis: Vec3
    radius_mm: float
    length_mm: float

    def corners(self) -> Array:
        """Of a box round it (8, 3)."""
        axis = np.array(self.axis)
        x = np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))])
        x /= np.linalg.norm(x)
        y, r = np.cross(axis, x), self.radius_mm
        start = np.array(self.base) - r * x - r * y
        return Box(vec(start), vec(x), vec(y), (2 * r, 2 * r, self.length_mm)).corners()


Shape = Box | Rod


@dataclass(frozen=True)
class Fixture:
    """One body: ``solids`` together, less ``holes``. ``kind`` is a jaw, block, plate, screw ...

    ``bears_on`` is the side of the part, or the feature, that it touches.
    """

    name: str
    kind: str
    bears_on: str
    solids: tuple[Shape, ...]
    holes: tuple[Shape, ...] = ()

    def extent(self, frame: Frame) -> tuple[Array, Array]:
        """Its box in a frame: low and high (3,)."""
        points = frame.local(np.vstack([s.corners() for s in self.solids]))
        return points.min(axis=0), points.max(axis=0)


def frame_box(frame: Frame, spans: Mapping[str, tuple[float, float]]) -> Box:
    """A box between levels along the axes "x", "y" and "z" of a frame."""
    low, high = (np.array([spans[a][k] for a in "xyz"]) for k in (0, 1))
    x, y, _ = frame.axes
    return Box(vec(frame.world(low)), vec(x), vec(y), vec(high - low))

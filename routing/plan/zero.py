"""The zero of a setup: a place that a person can touch off, and the axes that count from it.

Z points out of the side that is up; X is the first axis of the part's frame that lies in that side, in its
positive sense; Y follows by the right hand. Zero is the middle of the part's box, on the box's face that is up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from featurize.brep.surfaces import Array
from featurize.feature import Vec3
from featurize.recognise.scene import vec
from routing.plan.bearing import outside
from routing.processes.context import JobContext

WORDS = (
    "Z points out of the setup's side; X is the first axis of the part's frame in that side, positive; "
    "Y by the right hand. Zero: middle of the part's box, on the box's face of that side."
)


@dataclass(frozen=True)
class Touched:
    """``axis`` is found at the outside faces ``features`` of the side, or midway between two sides."""

    axis: str
    sides: tuple[str, ...]
    features: tuple[str, ...]


@dataclass(frozen=True)
class Zero:
    """``origin_mm`` and unit axes in model coordinates."""

    origin_mm: Vec3
    x: Vec3
    y: Vec3
    z: Vec3
    touched_off: tuple[Touched, ...] = ()

    @property
    def axes(self) -> Array:
        """Rows X, Y, Z (3, 3)."""
        return np.array([self.x, self.y, self.z])

    def local(self, points: Array) -> Array:
        """Model points (..., 3) in the setup's own coordinates."""
        return np.asarray((np.asarray(points) - np.array(self.origin_mm)) @ self.axes.T)


def zero_for(job: JobContext, up: Array) -> Zero:
    """The zero of a setup whose side ``up`` (unit, model coordinates) is up, slanted ones included."""
    part = job.part
    z = up / np.linalg.norm(up)
    axes = part.frame.axes
    first = next(a for a in axes if abs(float(a @ z)) < np.sqrt(0.5) + 1e-9)
    x = first - (first @ z) * z
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    corners = part.frame.world(
        np.array([[(part.low, part.high)[b >> k & 1][k] for k in range(3)] for b in range(8)])
    )
    middle = corners.mean(axis=0)
    origin = middle + float(((corners - middle) @ z).max()) * z
    return Zero(vec(origin), vec(x), vec(y), vec(z), tuple(_touched(job, np.array([x, y, z]))))


def _touched(job: JobContext, axes: Array) -> list[Touched]:
    found = []
    for name, axis in zip("XYZ", axes, strict=True):
        sides = (
            [job.part.frame.side_of(axis)]
            if name == "Z"
            else [job.part.frame.side_of(-axis), job.part.frame.side_of(axis)]
        )
        known = tuple(s for s in sides if s is not None)
        if known:
            features = tuple(f for s in known for f in outside(job, s).features)
            found.append(Touched(name, known, features))
    return found

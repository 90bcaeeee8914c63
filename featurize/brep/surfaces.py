"""Canonical surfaces as plain data, with the sense of the material.

Arrays are float64 of shape (3,), lengths mm, angles degrees. Directions are unit vectors.
``hollow`` is true where the material lies outside (a bore) and false where inside (a pin).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Plane:
    """``normal`` points out of the material."""

    origin: Array
    normal: Array


@dataclass(frozen=True, eq=False)
class Cylinder:
    origin: Array
    axis: Array
    radius_mm: float
    hollow: bool


@dataclass(frozen=True, eq=False)
class Cone:
    """``axis`` points from the apex towards the wide end."""

    apex: Array
    axis: Array
    half_angle_deg: float
    hollow: bool


@dataclass(frozen=True, eq=False)
class Sphere:
    centre: Array
    radius_mm: float
    hollow: bool


@dataclass(frozen=True, eq=False)
class Torus:
    centre: Array
    axis: Array
    major_mm: float
    minor_mm: float
    hollow: bool


@dataclass(frozen=True, eq=False)
class Freeform:
    """Anything else; ``ruled`` is the common ruling direction of an extrusion, if it is one."""

    ruled: Array | None = None


def orthonormal_basis(axis: Array) -> Array:
    """Rows (3, 3): two unit directions across a unit axis, right-handed with it, and the axis itself."""
    other = np.zeros(3)
    other[int(np.argmin(np.abs(axis)))] = 1.0
    u = np.cross(axis, other)
    u /= np.linalg.norm(u)
    return np.array([u, np.cross(axis, u), axis])


Surface = Plane | Cylinder | Cone | Sphere | Torus | Freeform

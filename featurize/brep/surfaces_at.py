"""Outward normals and sameness of canonical surfaces."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.surfaces import Array, Cone, Cylinder, Freeform, Plane, Sphere, Surface, Torus


def normals_at(surface: Surface, points: Array) -> Array | None:
    """Outward unit normals (n, 3) at points (n, 3) of a surface; None for a free form."""
    table = NormalTable([surface])
    return table.at(np.zeros(1, np.int64), np.asarray(points)[None])[0] if table.known[0] else None


class NormalTable:
    """The surfaces of many faces as arrays: normals of all of them in one go."""

    def __init__(self, surfaces: Sequence[Surface]) -> None:
        self._of = {
            kind: np.array([type(s) is kind for s in surfaces], bool)
            for kind in (Plane, Cylinder, Cone, Sphere, Torus)
        }
        self.known = np.any(list(self._of.values()), axis=0)
        rows = np.array([_row(s) for s in surfaces])
        self._place, self._axis, self._size, self._sign = rows[:, :3], rows[:, 3:6], rows[:, 6], rows[:, 7]

    def at(self, of: NDArray[np.int64], points: Array) -> Array:
        """Outward unit normals (n, k, 3) at points (n, k, 3) of the surfaces numbered ``of`` (n,); nought
        where a surface is not ``known`` (a free form)."""
        normals = np.zeros(points.shape)
        for kind, members in self._of.items():
            rows = np.flatnonzero(members[of])
            if len(rows) == 0:
                continue
            axis, size = self._axis[of[rows], None], self._size[of[rows], None, None]
            if kind is Plane:
                normals[rows] = axis
                continue
            offsets = points[rows] - self._place[of[rows], None]
            radial = offsets - np.sum(offsets * axis, axis=2, keepdims=True) * axis
            if kind is Cylinder:
                away = radial
            elif kind is Cone:
                away = _unit(radial) * np.cos(size) - axis * np.sin(size)
            else:
                away = offsets if kind is Sphere else offsets - size * _unit(radial)
            normals[rows] = _unit(away) * self._sign[of[rows], None, None]
        return normals


def _row(s: Surface) -> list[float]:
    """Place, axis, the size that bends its normals and the sense of a surface: 8 numbers."""
    if isinstance(s, Freeform):
        return [0.0] * 8
    if isinstance(s, Plane):
        return [*s.origin.tolist(), *s.normal.tolist(), 0.0, 1.0]
    sign = -1.0 if s.hollow else 1.0
    if isinstance(s, Cylinder):
        return [*s.origin.tolist(), *s.axis.tolist(), 0.0, sign]
    if isinstance(s, Cone):
        return [*s.apex.tolist(), *s.axis.tolist(), float(np.radians(s.half_angle_deg)), sign]
    if isinstance(s, Sphere):
        return [*s.centre.tolist(), 0.0, 0.0, 0.0, 0.0, sign]
    return [*s.centre.tolist(), *s.axis.tolist(), s.major_mm, sign]


def same_surface(a: Surface, b: Surface, near: Array) -> bool:
    """Whether two surfaces with the same sense of material coincide around the point ``near``."""
    if isinstance(a, Plane) and isinstance(b, Plane):
        return (
            float(a.normal @ b.normal) > 0
            and parallel(a.normal, b.normal)
            and abs(float((near - a.origin) @ a.normal)) < tol.SURFACE_MM
            and abs(float((near - b.origin) @ b.normal)) < tol.SURFACE_MM
        )
    if isinstance(a, Cylinder) and isinstance(b, Cylinder):
        return (
            a.hollow == b.hollow
            and abs(a.radius_mm - b.radius_mm) < tol.SURFACE_MM
            and same_line(a.origin, a.axis, b.origin, b.axis)
        )
    if isinstance(a, Cone) and isinstance(b, Cone):
        return (
            a.hollow == b.hollow
            and abs(a.half_angle_deg - b.half_angle_deg) < tol.PARALLEL_DEG
            and float(a.axis @ b.axis) > 0
            and parallel(a.axis, b.axis, tol.AXIS_DEG)
            and _cone_gap(a, b) < tol.SURFACE_MM
        )
    if isinstance(a, Sphere) and isinstance(b, Sphere):
        return (
            a.hollow == b.hollow
            and abs(a.radius_mm - b.radius_mm) < tol.SURFACE_MM
            and float(np.linalg.norm(a.centre - b.centre)) < tol.SURFACE_MM
        )
    if isinstance(a, Torus) and isinstance(b, Torus):
        return (
            a.hollow == b.hollow
            and abs(a.minor_mm - b.minor_mm) < tol.SURFACE_MM
            and abs(a.major_mm - b.major_mm) < tol.SURFACE_MM
            and float(np.linalg.norm(a.centre - b.centre)) < tol.SURFACE_MM
            and parallel(a.axis, b.axis)
        )
    return False


def parallel(a: Array, b: Array, limit_deg: float = tol.PARALLEL_DEG) -> bool:
    """Whether two unit directions are parallel, either way round."""
    cosine = float(a @ b)
    return 1.0 - cosine * cosine < float(np.sin(np.radians(limit_deg))) ** 2


def square(a: Array, b: Array, limit_deg: float = tol.PARALLEL_DEG) -> bool:
    """Whether two unit directions are at right angles."""
    return bool(abs(a @ b) < np.sin(np.radians(limit_deg)))


def same_line(origin_a: Array, axis_a: Array, origin_b: Array, axis_b: Array) -> bool:
    """Whether two lines coincide."""
    if not parallel(axis_a, axis_b, tol.AXIS_DEG):
        return False
    return float(np.linalg.norm(_radial((origin_b - origin_a)[None], axis_a))) < tol.SURFACE_MM


def _cone_gap(a: Cone, b: Cone) -> float:
    """How far apart two cones of one angle lie, measured square to the surface."""
    shift = b.apex - a.apex
    along = float(shift @ a.axis)
    off = float(np.linalg.norm(shift - along * a.axis))
    angle = np.radians(a.half_angle_deg)
    return float(abs(along) * np.sin(angle) + off)


def _radial(offsets: Array, axis: Array) -> Array:
    return offsets - np.outer(offsets @ axis, axis)


def _unit(vectors: Array) -> Array:
    lengths = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.asarray(vectors / np.where(lengths > 0, lengths, 1.0))

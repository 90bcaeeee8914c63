"""Convex bodies bounded by tagged planes: cut, measured, asked which planes still bound them."""

from __future__ import annotations

import math
from collections.abc import Hashable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from featurize.brep.surfaces import Array


@dataclass(frozen=True, eq=False)
class Polytope:
    """``facets`` are (tag, vertices (k, 3)) pairs; empty when nothing is left."""

    facets: tuple[tuple[Hashable, Array], ...]

    @staticmethod
    def box(low: Array, high: Array) -> Polytope:
        """An axis-parallel box (3,), (3,) whose facets are tagged with its side labels."""
        facets: list[tuple[Hashable, Array]] = []
        for axis, name in enumerate("xyz"):
            u, v = (axis + 1) % 3, (axis + 2) % 3
            for sign, level in (("+", high[axis]), ("-", low[axis])):
                ring = np.empty((4, 3))
                ring[:, axis] = level
                ring[:, u] = np.array([low[u], high[u], high[u], low[u]])
                ring[:, v] = np.array([low[v], low[v], high[v], high[v]])
                facets.append((sign + name, ring))
        return Polytope(tuple(facets))

    @cached_property
    def _stacked(self) -> tuple[Array, NDArray[np.int64]]:
        """All facets' corners (n, 3), and the place (f,) where each facet's begin."""
        starts = np.cumsum([0, *(len(ring) for _, ring in self.facets[:-1])])
        return self.vertices, starts

    def cut(self, normal: Array, offset: float, tag: Hashable, tolerance: float) -> Polytope:
        """The part where ``normal . p >= offset``; the new facet carries ``tag``."""
        if not self.facets:
            return self
        points, starts = self._stacked
        height = points @ normal - offset
        height[np.abs(height) < tolerance] = 0.0
        low, high = np.minimum.reduceat(height, starts), np.maximum.reduceat(height, starts)
        if np.all(low >= 0) or np.any((low >= 0) & (high <= 0)):
            return self  # beyond the plane, which may graze the body along a facet
        kept: list[tuple[Hashable, Array]] = []
        rim: list[list[float]] = points[(height >= 0) & (height <= 0)].tolist()
        for k in np.flatnonzero(high >= 0).tolist():
            name, ring = self.facets[k]
            if low[k] >= 0:
                kept.append((name, ring))
                continue
            first = int(starts[k])
            clipped, crossings = _clipped(ring.tolist(), height[first : first + len(ring)].tolist())
            rim += crossings
            if len(clipped) >= 3 and _area(clipped) > tolerance * tolerance:
                kept.append((name, np.array(clipped)))
        if not kept:
            return Polytope(())
        cap = _hull_order(np.array(rim), normal, tolerance) if len(rim) >= 3 else None
        if cap is not None:
            kept.append((tag, cap))
        return Polytope(tuple(kept))

    @property
    def empty(self) -> bool:
        return len(self.facets) < 4

    def area_of(self, tag: Hashable) -> float:
        """Area of the facets with this tag."""
        return sum(_ring_area(ring) for name, ring in self.facets if name == tag)

    @property
    def volume_mm3(self) -> float:
        """Sum of the pyramids from one vertex."""
        if self.empty:
            return 0.0
        apex = self.facets[0][1][0]
        total = 0.0
        for _, ring in self.facets:
            total += abs(float((ring[0] - apex) @ _ring_normal(ring))) / 3.0
        return total

    @property
    def vertices(self) -> Array:
        """All corners (n, 3), repeated for each facet they bound."""
        return np.vstack([ring for _, ring in self.facets]) if self.facets else np.empty((0, 3))

    @property
    def centre(self) -> Array:
        """A point well inside: the mean of the corners."""
        return np.asarray(self.vertices.mean(axis=0))


def _clipped(ring: list[list[float]], height: list[float]) -> tuple[list[list[float]], list[list[float]]]:
    """What of a ring has no negative height, and the points where it crosses nought.

    Rings have a handful of corners: plain numbers are quicker than arrays.
    """
    kept: list[list[float]] = []
    crossings: list[list[float]] = []
    for p, q, hp, hq in zip(ring, ring[1:] + ring[:1], height, height[1:] + height[:1], strict=True):
        if hp >= 0:
            kept.append(p)
        if hp * hq < 0:
            share = hp / (hp - hq)
            crossings.append([a + (b - a) * share for a, b in zip(p, q, strict=True)])
            kept.append(crossings[-1])
    return kept, crossings


def _area(ring: list[list[float]]) -> float:
    """Area of a flat ring of a handful of corners."""
    ax, ay, az = ring[0]
    bx, by, bz = ring[1][0] - ax, ring[1][1] - ay, ring[1][2] - az
    sx = sy = sz = 0.0
    for x, y, z in ring[2:]:
        cx, cy, cz = x - ax, y - ay, z - az
        sx, sy, sz = sx + by * cz - bz * cy, sy + bz * cx - bx * cz, sz + bx * cy - by * cx
        bx, by, bz = cx, cy, cz
    return math.sqrt(sx * sx + sy * sy + sz * sz) / 2


def _ring_normal(ring: Array) -> Array:
    """Area vector of a flat ring (k, 3)."""
    x, y, z = (ring - ring[0]).T
    return (
        np.array(
            [
                y[:-1] @ z[1:] - z[:-1] @ y[1:],
                z[:-1] @ x[1:] - x[:-1] @ z[1:],
                x[:-1] @ y[1:] - y[:-1] @ x[1:],
            ]
        )
        / 2
    )


def _ring_area(ring: Array) -> float:
    return _area(ring.tolist())


def _hull_order(points: Array, normal: Array, tolerance: float) -> Array | None:
    """The distinct points of a convex flat ring in order around it."""
    apart = np.abs(points[:, None] - points[None]).max(axis=2) > tolerance
    ring = points[np.all(apart | ~np.tri(len(points), k=-1, dtype=bool), axis=1)]
    if len(ring) < 3:
        return None
    centre = ring.mean(axis=0)
    (a, b, c), (x, y, z) = (ring[0] - centre).tolist(), normal.tolist()
    v = np.array([y * c - z * b, z * a - x * c, x * b - y * a])
    u = ring[0] - centre
    angles = np.arctan2((ring - centre) @ v, (ring - centre) @ u)
    return np.asarray(ring[np.argsort(angles)])

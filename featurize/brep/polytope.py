"""Convex bodies bounded by tagged planes: cut, measured, asked which planes still bound them."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np

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

    def cut(self, normal: Array, offset: float, tag: Hashable, tolerance: float) -> Polytope:
        """The part where ``normal . p >= offset``; the new facet carries ``tag``."""
        kept: list[tuple[Hashable, Array]] = []
        rim: list[Array] = []
        touched = False
        for name, ring in self.facets:
            height = ring @ normal - offset
            height[np.abs(height) < tolerance] = 0.0
            if np.all(height >= 0):
                if np.all(height <= 0):
                    return self  # the plane only grazes the body along a facet
                kept.append((name, ring))
                rim.extend(ring[height <= 0])
                continue
            touched = True
            following = np.roll(ring, -1, axis=0)
            next_height = np.roll(height, -1)
            clipped: list[Array] = []
            for p, q, hp, hq in zip(ring, following, height, next_height, strict=True):
                if hp >= 0:
                    clipped.append(p)
                    if hp <= 0:
                        rim.append(p)
                if hp * hq < 0:
                    crossing = p + (q - p) * (hp / (hp - hq))
                    clipped.append(crossing)
                    rim.append(crossing)
            if len(clipped) >= 3 and _ring_area(np.array(clipped)) > tolerance * tolerance:
                kept.append((name, np.array(clipped)))
        if not touched:
            return self
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


def _ring_normal(ring: Array) -> Array:
    """Area vector of a flat ring (k, 3)."""
    fan = np.cross(ring[1:-1] - ring[0], ring[2:] - ring[0])
    return np.asarray(fan.sum(axis=0) / 2)


def _ring_area(ring: Array) -> float:
    return float(np.linalg.norm(_ring_normal(ring)))


def _hull_order(points: Array, normal: Array, tolerance: float) -> Array | None:
    """The distinct points of a convex flat ring in order around it."""
    distinct: list[Array] = []
    for p in points:
        if all(float(np.max(np.abs(p - q))) > tolerance for q in distinct):
            distinct.append(p)
    if len(distinct) < 3:
        return None
    ring = np.array(distinct)
    centre = ring.mean(axis=0)
    u = ring[0] - centre
    v = np.cross(normal, u)
    angles = np.arctan2((ring - centre) @ v, (ring - centre) @ u)
    return np.asarray(ring[np.argsort(angles)])

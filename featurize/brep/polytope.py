"""Convex bodies bounded by tagged planes: cut, measured, asked which planes still bound them.

They have a dozen corners or two: plain numbers are quicker than arrays.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from featurize.brep.surfaces import Array

Point = tuple[float, float, float]
Ring = tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Polytope:
    """``facets`` are (tag, places in ``corners`` around it); empty when nothing is left."""

    corners: tuple[Point, ...]
    facets: tuple[tuple[Hashable, Ring], ...]

    @staticmethod
    def box(low: Array, high: Array) -> Polytope:
        """An axis-parallel box (3,), (3,) whose facets are tagged with its side labels."""
        ends = list(zip(low.tolist(), high.tolist(), strict=True))
        corners = tuple((x, y, z) for z in ends[2] for y in ends[1] for x in ends[0])
        facets: list[tuple[Hashable, Ring]] = []
        for axis, name in enumerate("xyz"):
            u, v = 1 << (axis + 1) % 3, 1 << (axis + 2) % 3
            for sign, at in (("+", 1 << axis), ("-", 0)):
                facets.append((sign + name, (at, at + u, at + u + v, at + v)))
        return Polytope(corners, tuple(facets))

    def cut(self, planes: Iterable[tuple[Array, float, Hashable]], tolerance: float) -> Polytope:
        """The part where ``normal . p >= offset`` for each (normal, offset, tag) given."""
        body = _Body(list(self.corners), list(self.facets), list(range(len(self.corners))))
        for normal, offset, tag in planes:
            body.cut(normal.tolist(), offset, tag, tolerance)
        places: dict[int, int] = {}
        facets = tuple(
            (t, tuple([places.setdefault(i, len(places)) for i in ring])) for t, ring in body.facets
        )
        return Polytope(tuple(body.corners[i] for i in places), facets)

    def moved(self, turn: Array, shift: Array, names: Mapping[Any, Hashable]) -> Polytope:
        """Turned (3, 3), then shifted (3,); tags that have a new name get it."""
        corners = self.vertices @ turn.T + shift
        facets = tuple((names.get(tag, tag), ring) for tag, ring in self.facets)
        return Polytope(tuple((x, y, z) for x, y, z in corners.tolist()), facets)

    @property
    def empty(self) -> bool:
        return len(self.facets) < 4

    def area_of(self, tag: Hashable) -> float:
        """Area of the facets with this tag."""
        return sum(
            math.hypot(*v) for v, (t, _) in zip(self.area_vectors, self.facets, strict=True) if t == tag
        )

    @property
    def volume_mm3(self) -> float:
        """Sum of the pyramids from one vertex."""
        if self.empty:
            return 0.0
        apex = self.corners[0]
        total = 0.0
        for ring, n in zip((ring for _, ring in self.facets), self.area_vectors, strict=True):
            total += abs(sum((p - o) * c for p, o, c in zip(self.corners[ring[0]], apex, n, strict=True))) / 3
        return total

    @property
    def area_vectors(self) -> list[Point]:
        """Of each facet: square to it, as long as its area."""
        return [_area_vector(self.corners, ring) for _, ring in self.facets]

    @property
    def vertices(self) -> Array:
        """All corners (n, 3)."""
        return np.array(self.corners).reshape(-1, 3)


@dataclass
class _Body:
    """A polytope while it is cut: ``live`` are the corners that may still be its own."""

    corners: list[Point]
    facets: list[tuple[Hashable, Ring]]
    live: list[int]

    def cut(self, normal: Sequence[float], offset: float, tag: Hashable, tolerance: float) -> None:
        a, b, c = normal
        corners = self.corners
        heights: dict[int, float] = {}
        for i in self.live:
            x, y, z = corners[i]
            h = a * x + b * y + c * z - offset
            heights[i] = 0.0 if -tolerance < h < tolerance else h
        if min(heights.values(), default=0.0) >= 0:
            return
        grazed = {i for i, h in heights.items() if h == 0}
        if len(grazed) > 2 and any(grazed.issuperset(ring) for _, ring in self.facets):
            return  # the plane grazes the body along a facet
        below = {i for i, h in heights.items() if h < 0}
        crossings: dict[tuple[int, int], int] = {}
        kept: list[tuple[Hashable, Ring]] = []
        for facet in self.facets:
            if below.isdisjoint(facet[1]):
                kept.append(facet)
                continue
            ring = self._clipped(facet[1], heights, crossings)
            if len(ring) >= 3 and math.hypot(*_area_vector(corners, ring)) > tolerance * tolerance:
                kept.append((facet[0], tuple(ring)))
        self.live = [i for i in self.live if i not in below] + list(crossings.values())
        if kept:
            cap = _hull_order(corners, [*grazed, *crossings.values()], (a, b, c), tolerance)
            kept += [(tag, cap)] if cap is not None else []
        self.facets = kept

    def _clipped(
        self, ring: Ring, heights: Mapping[int, float], crossings: dict[tuple[int, int], int]
    ) -> list[int]:
        """What of a ring is not below; where an edge meets the plane both facets beside it get one corner."""
        kept: list[int] = []
        last, was = ring[-1], heights[ring[-1]]
        for i in ring:
            h = heights[i]
            if was * h < 0:
                edge = (last, i) if last < i else (i, last)
                if edge not in crossings:
                    crossings[edge] = len(self.corners)
                    share = was / (was - h)
                    (x, y, z), (p, q, r) = self.corners[last], self.corners[i]
                    self.corners.append((x + (p - x) * share, y + (q - y) * share, z + (r - z) * share))
                kept.append(crossings[edge])
            if h >= 0:
                kept.append(i)
            last, was = i, h
        return kept


def _area_vector(corners: Sequence[Point], ring: Sequence[int]) -> Point:
    """Square to a flat ring, as long as its area."""
    ax, ay, az = corners[ring[0]]
    x, y, z = corners[ring[1]]
    bx, by, bz = x - ax, y - ay, z - az
    sx = sy = sz = 0.0
    for i in ring[2:]:
        x, y, z = corners[i]
        cx, cy, cz = x - ax, y - ay, z - az
        sx, sy, sz = sx + by * cz - bz * cy, sy + bz * cx - bx * cz, sz + bx * cy - by * cx
        bx, by, bz = cx, cy, cz
    return sx / 2, sy / 2, sz / 2


def _hull_order(corners: Sequence[Point], rim: Sequence[int], normal: Point, tolerance: float) -> Ring | None:
    """The distinct corners of a convex flat ring in order around it."""
    ring: list[int] = []
    for i in rim:
        x, y, z = corners[i]
        for j in ring:
            p = corners[j]
            if abs(x - p[0]) <= tolerance and abs(y - p[1]) <= tolerance and abs(z - p[2]) <= tolerance:
                break
        else:
            ring.append(i)
    if len(ring) < 3:
        return None
    mx, my, mz = (sum(corners[i][k] for i in ring) / len(ring) for k in range(3))
    x, y, z = normal
    (ux, uy, uz) = (corners[ring[0]][0] - mx, corners[ring[0]][1] - my, corners[ring[0]][2] - mz)
    vx, vy, vz = y * uz - z * uy, z * ux - x * uz, x * uy - y * ux

    def angle(i: int) -> float:
        px, py, pz = corners[i][0] - mx, corners[i][1] - my, corners[i][2] - mz
        return math.atan2(px * vx + py * vy + pz * vz, px * ux + py * uy + pz * uz)

    return tuple(sorted(ring, key=angle))

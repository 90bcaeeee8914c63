"""Plane sections of a closed mesh, as regions."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize.brep.silhouette import View, twice_area
from featurize.brep.surfaces import Array

# Twice the plan (mm2) of a facet that stands upright: far over what the rounding of its corners makes.
_EDGE_ON_MM2 = 1e-5

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class Sections:
    """Plane sections of a closed mesh (m, 3, 3) square to a view, in its coordinates."""

    view: View
    triangles: Array
    window: Bounds | None = None  # left, low, right, high of what sections are cut to

    @cached_property
    def _solid(self) -> Array:
        level = (self.triangles - self.view.origin) @ self.view.along
        # Rounded, so that neighbours have the same corners to the last digit.
        return np.round(np.concatenate([self.view.flat(self.triangles), level[..., None]], axis=2), 7)

    @cached_property
    def _box(self) -> tuple[Array, Array]:
        return self._solid.min(axis=1), self._solid.max(axis=1)

    @property
    def bottom(self) -> float:
        """The lowest level."""
        return float(self._box[0][:, 2].min())

    def near(self, window: Bounds) -> Sections:
        """Sections cut to a window: only the facets beside it are looked at, and those to its right.

        These are what a ray to the right may meet, which tells inside from outside.
        """
        left, low, _, high = window
        start, stop = self._box
        rows = (stop[:, 0] >= left) & (stop[:, 1] >= low) & (start[:, 1] <= high)
        return Sections(self.view, self.triangles[rows], window)

    @cached_property
    def _upright(self) -> NDArray[np.bool_]:
        """Which facets are seen on edge."""
        return np.asarray(np.abs(twice_area(self._solid[:, :, :2])) < _EDGE_ON_MM2)

    @cached_property
    def _beside(self) -> NDArray[np.bool_]:
        """Which facets the window meets."""
        start, stop = self._box
        left, low, right, high = self.window or (-np.inf, -np.inf, np.inf, np.inf)
        return np.asarray(np.all((stop[:, :2] >= (left, low)) & (start[:, :2] <= (right, high)), axis=1))

    def same(self, one_mm: float, other_mm: float) -> bool:
        """Whether sections at two levels are one: only upright facets reach there, and none ends between."""
        low, high = min(one_mm, other_mm), max(one_mm, other_mm)
        start, stop = self._box
        reach = self._beside & (stop[:, 2] > low) & (start[:, 2] <= high)
        through = self._upright & (start[:, 2] <= low) & (stop[:, 2] > high)
        return bool(np.all(through[reach]))

    def at(self, level_mm: float) -> Any:
        """The region of a section, a shapely Polygon or MultiPolygon."""
        start, stop = self._box
        corners = self._solid[(start[:, 2] <= level_mm) & (stop[:, 2] > level_mm)]
        # Of three sides two cross the level; which ends come first depends on the height alone.
        crossing = []
        for i, j in ((0, 1), (1, 2), (2, 0)):
            p, q = corners[:, i], corners[:, j]
            swap = (p[:, 2] > q[:, 2])[:, None]
            p, q = np.where(swap, q, p), np.where(swap, p, q)
            met = (p[:, 2] <= level_mm) & (q[:, 2] > level_mm)
            share = (level_mm - p[:, 2]) / np.where(met, q[:, 2] - p[:, 2], 1.0)
            crossing.append((met, p[:, :2] + share[:, None] * (q[:, :2] - p[:, :2])))
        (m0, c0), (m1, c1), (_, c2) = crossing
        starts, stops = np.where(m0[:, None], c0, c1), np.where((m0 & m1)[:, None], c1, c2)
        lines: Array = np.round(np.stack([starts, stops], axis=1), 6)
        lines = lines[np.any(lines[:, 0] != lines[:, 1], axis=1)]
        net = self._cut(lines)
        if len(net) == 0:
            return shapely.Polygon()
        net = shapely.node(shapely.multilinestrings(net))
        faces = np.array(shapely.get_parts(shapely.polygonize(shapely.get_parts(net))))
        if len(faces) == 0:
            return shapely.Polygon()
        inside = _odd(lines, shapely.get_coordinates(shapely.point_on_surface(faces)))
        return shapely.union_all(faces[inside])

    def _cut(self, lines: Array) -> Any:
        """Lines (n, 2, 2) as shapes, cut to the window, which is among them."""
        if self.window is None:
            return shapely.linestrings(lines)
        low, high = np.array(self.window[:2]), np.array(self.window[2:])
        own = np.all((lines.max(axis=1) >= low) & (lines.min(axis=1) <= high), axis=1)
        within = shapely.get_parts(shapely.clip_by_rect(shapely.linestrings(lines[own]), *self.window))
        return np.append(within, shapely.linearrings(shapely.box(*self.window).exterior.coords))


def _odd(lines: Array, points: Array) -> NDArray[np.bool_]:
    """Whether a ray to the right of each point meets an odd number of lines."""
    a, b = lines[:, 0], lines[:, 1]
    low, high = lines[:, :, 1].min(axis=1), lines[:, :, 1].max(axis=1)
    rise = np.where(a[:, 1] == b[:, 1], 1.0, b[:, 1] - a[:, 1])
    slope = (b[:, 0] - a[:, 0]) / rise
    odd = []
    for x, y in points:  # one by one: all pairs of a large section would be gigabytes
        met = np.flatnonzero((low <= y) & (y < high))
        odd.append(np.count_nonzero(x < a[met, 0] + (y - a[met, 1]) * slope[met]) % 2 == 1)
    return np.array(odd)

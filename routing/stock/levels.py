"""Clearing in levels: what a flat cutter may take of a stock at each depth, as plane regions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.shadow import View, enclosed, merged
from featurize.brep.surfaces import Array
from featurize.feature import Feature

# What a rough cutter leaves on walls and floors for the finishing one (common practice, no source).
ROUGH_WALL_MM = 0.1
ROUGH_FLOOR_MM = 0.1
# A level stands this much over a round number: no section then runs within a flat face.
_OFF_MM = 1.23e-5
# Chords for a quarter turn of an offset: at 8 they miss the arc by 0.5 % of the radius.
QUARTER = 8
# More levels than this tell an estimate nothing.
_MOST_LEVELS = 40
# Sections are thinned by this, far under what is left on.
_THIN_MM = 2e-3
# Regions thinner than this are the offsets' own.
_SLIVER_MM = 0.01


@dataclass(frozen=True, eq=False)
class Sections:
    """Plane sections of a closed mesh (m, 3, 3) square to a view, in its coordinates."""

    view: View
    triangles: Array

    @cached_property
    def _solid(self) -> Array:
        level = (self.triangles - self.view.origin) @ self.view.along
        # Rounded, so that neighbours have the same corners to the last digit.
        return np.round(np.concatenate([self.view.flat(self.triangles), level[..., None]], axis=2), 7)

    @property
    def top(self) -> float:
        """The highest level."""
        return float(self._solid[:, :, 2].max())

    def at(self, level_mm: float) -> Any:
        """The region of a section, a shapely Polygon or MultiPolygon."""
        corners = self._solid
        over = corners[:, :, 2] > level_mm
        corners = corners[over.any(axis=1) & ~over.all(axis=1)]
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
        if len(lines) == 0:
            return shapely.Polygon()
        faces = np.array(
            shapely.get_parts(shapely.polygonize(shapely.get_parts(shapely.node(_lines(lines)))))
        )
        if len(faces) == 0:
            return shapely.Polygon()
        inside = _odd(lines, shapely.get_coordinates(shapely.point_on_surface(faces)))
        return shapely.union_all(faces[inside])


def _lines(ends: Array) -> Any:
    return shapely.multilinestrings(shapely.linestrings(ends))


def _odd(lines: Array, points: Array) -> NDArray[np.bool_]:
    """Whether a ray across from each point meets an odd number of lines."""
    a, b = lines[:, 0], lines[:, 1]
    x, y = points[:, :1], points[:, 1:]
    spans = (a[:, 1] > y) != (b[:, 1] > y)
    rise = np.where(a[:, 1] == b[:, 1], 1.0, b[:, 1] - a[:, 1])
    met = spans & (x < a[:, 0] + (y - a[:, 1]) / rise * (b[:, 0] - a[:, 0]))
    return np.asarray(met.sum(axis=1) % 2 == 1)


@dataclass(frozen=True, eq=False)
class Level:
    """``centres`` is where a cutter's axis may be, ``cleared`` what it sweeps; down to ``bottom_mm``."""

    bottom_mm: float
    depth_mm: float  # from the level above
    centres: Any
    cleared: Any


@dataclass(frozen=True, eq=False)
class Ground:
    """The part from one side: the features made from it and what stands in a cutter's way."""

    view: View
    steps: tuple[tuple[float, float], ...]  # bottom and depth of each level, from the top down
    masks: tuple[Any, ...]  # the features' plan at each level
    blocked: tuple[Any, ...]  # the part at each level and over it

    def levels(self, radius_mm: float, wall_mm: float = ROUGH_WALL_MM) -> list[Level]:
        """Every level for one cutter."""
        found = []
        for (bottom, depth), mask, blocked in zip(self.steps, self.masks, self.blocked, strict=True):
            open_ = mask.buffer(radius_mm, join_style="mitre")
            centres = open_.difference(blocked.buffer(radius_mm + wall_mm, quad_segs=QUARTER))
            centres = shapely.union_all([g for g in shapely.get_parts(centres) if g.area > _SLIVER_MM**2])
            cleared = centres.buffer(radius_mm, quad_segs=QUARTER)
            found.append(Level(bottom, depth, centres, cleared.intersection(open_)))
        return found


def ground_of(
    part: Part,
    toward: Array,
    features: Sequence[Feature],
    top_mm: float,
    step_mm: float,
    floor_mm: float = ROUGH_FLOOR_MM,
) -> Ground:
    """Levels from ``top_mm`` (along ``toward`` from the frame's origin) to each feature's own floor.

    They are ``step_mm`` apart at most, more where the part would need too many.
    What is undercut from this side stays blocked from the levels above it.
    """
    view = View.of(part, toward)
    level = (part.mesh.vertices - view.origin) @ view.along
    step_mm = max(step_mm, (top_mm - float(level.min())) / _MOST_LEVELS)
    plans = []
    for f in features:
        low = float(level[part.mesh.corners(f.faces)].min())
        plan = enclosed(part, view, np.array(f.faces))
        if plan.area > _SLIVER_MM**2:
            plans.append((low, plan))
    lows = sorted({round(low + floor_mm + _OFF_MM, 6) for low, _ in plans}, reverse=True)
    steps: list[tuple[float, float]] = []
    at = top_mm
    for low in lows:
        if at - low < tol.LENGTH_MM:
            continue
        count = int(np.ceil((at - low) / step_mm - 1e-6))
        depth = (at - low) / count
        steps += [(at - depth * (k + 1), depth) for k in range(count)]
        at = low
    own = Sections(view, part.mesh.vertices[part.mesh.triangles])
    masks, blocked = [], []
    over = shapely.Polygon()
    for bottom, _ in steps:
        over = _areas(merged([over, own.at(bottom)]))
        blocked.append(over.simplify(_THIN_MM))
        masks.append(shapely.union_all([plan for low, plan in plans if low < bottom]))
    return Ground(view, tuple(steps), tuple(masks), tuple(blocked))


def _areas(region: Any) -> Any:
    """A region without the lines to which the grid has shut its narrowest places."""
    return shapely.multipolygons([p for p in shapely.get_parts(region) if p.geom_type == "Polygon"])


def tidy(region: Any) -> Any:
    """A region without its hairs."""
    return region.buffer(-_SLIVER_MM, join_style="mitre").buffer(_SLIVER_MM, join_style="mitre")

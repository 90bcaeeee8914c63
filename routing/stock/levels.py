"""Clearing in levels: what a flat cutter may take of a stock at each depth, as plane regions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.shadow import View, enclosed, merged, twice_area
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

# A recess is looked at this many radii about its plan: one to a cutter's axis, one past it, half to spare.
_REACH = 2.5

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
        mine = np.all((lines.max(axis=1) >= low) & (lines.min(axis=1) <= high), axis=1)
        within = shapely.get_parts(shapely.clip_by_rect(shapely.linestrings(lines[mine]), *self.window))
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


@dataclass(frozen=True, eq=False)
class Level:
    """``centres`` is where a cutter's axis may be, ``cleared`` what it sweeps; down to ``bottom_mm``."""

    bottom_mm: float
    depth_mm: float  # from the level above
    centres: Any
    cleared: Any


@dataclass(frozen=True, eq=False)
class Ground:
    """A recess from one side: the features made from it and what stands in a cutter's way.

    Where nothing changes from one level to the next, their regions are one object.

    Nothing is known outside the ``window``: no cutter goes so near its border that it could reach past it.
    """

    view: View
    steps: tuple[tuple[float, float], ...]  # bottom and depth of each level, from the top down
    masks: tuple[Any, ...]  # the features' plan at each level
    blocked: tuple[Any, ...]  # the part at each level and over it
    window: Bounds

    _known: dict[tuple[float, float], list[Level]] = field(default_factory=dict, repr=False)

    def levels(self, radius_mm: float, wall_mm: float = ROUGH_WALL_MM) -> list[Level]:
        """Every level for one cutter; what was asked before is kept."""
        asked = radius_mm, wall_mm
        if asked not in self._known:
            found: list[Level] = []
            for k, step in enumerate(self.steps):
                if k and self.masks[k] is self.masks[k - 1] and self.blocked[k] is self.blocked[k - 1]:
                    found.append(replace(found[-1], bottom_mm=step[0], depth_mm=step[1]))
                else:
                    found.append(self._level(k, *asked))
            self._known[asked] = found
        return self._known[asked]

    def _level(self, k: int, radius_mm: float, wall_mm: float) -> Level:
        keep = radius_mm + wall_mm
        open_ = self.masks[k].buffer(radius_mm, join_style="mitre").intersection(_box(self.window, -keep))
        near = self.blocked[k].intersection(_box(open_.bounds, keep))
        centres = open_.difference(near.buffer(keep, quad_segs=QUARTER))
        centres = shapely.union_all([g for g in shapely.get_parts(centres) if g.area > _SLIVER_MM**2])
        cleared = centres.buffer(radius_mm, quad_segs=QUARTER)
        return Level(*self.steps[k], centres, cleared.intersection(open_))


def _box(bounds: Bounds, grown_mm: float) -> Any:
    left, low, right, high = bounds
    return shapely.box(left - grown_mm, low - grown_mm, right + grown_mm, high + grown_mm)


class Sides:
    """A part seen from where it is cleared; what is worked out of a feature is kept."""

    def __init__(self, part: Part) -> None:
        self.part = part
        self._sections: dict[tuple[float, ...], Sections] = {}
        self._plans: dict[tuple[tuple[float, ...], str], tuple[float, Any]] = {}

    def grounds(
        self,
        toward: Array,
        features: Sequence[Feature],
        top_mm: float,
        step_mm: float,
        radius_mm: float,
        floor_mm: float = ROUGH_FLOOR_MM,
    ) -> Iterator[Ground]:
        """The recesses seen from a unit direction (3,), each with levels of its own.

        They go from ``top_mm`` (along ``toward`` from the frame's origin) to each feature's own floor,
        ``step_mm`` apart at most, more where the part would need too many. What is undercut from this side
        stays blocked from the levels above it. ``radius_mm`` is of the largest cutter to come.
        """
        sections = self._seen(toward)
        step_mm = max(step_mm, (top_mm - sections.bottom) / _MOST_LEVELS)
        reach = _REACH * radius_mm + ROUGH_WALL_MM
        for plans in _recesses([self._plan(sections.view, f) for f in features]):
            steps = _steps(top_mm, [low + floor_mm + _OFF_MM for low, _ in plans], step_mm)
            if not steps:
                continue
            window = _box(shapely.total_bounds(np.array([plan for _, plan in plans])), reach).bounds
            own = sections.near(window)
            masks: list[Any] = []
            blocked: list[Any] = []
            over, above, last = shapely.Polygon(), top_mm, -1
            for bottom, _ in steps:
                deeper = [plan for low, plan in plans if low < bottom]
                masks.append(masks[-1] if len(deeper) == last else shapely.union_all(deeper))
                if blocked and own.same(bottom, above):
                    blocked.append(blocked[-1])
                else:
                    over = merged([over, own.at(bottom)])
                    blocked.append(over.simplify(_THIN_MM))
                above, last = bottom, len(deeper)
            yield Ground(sections.view, tuple(steps), tuple(masks), tuple(blocked), window)

    def _seen(self, toward: Array) -> Sections:
        key = (*np.round(toward, 9),)
        if key not in self._sections:
            mesh = self.part.mesh
            self._sections[key] = Sections(View.of(self.part, toward), mesh.vertices[mesh.triangles])
        return self._sections[key]

    def _plan(self, view: View, feature: Feature) -> tuple[float, Any]:
        """The lowest level of a feature and its plan."""
        key = (*np.round(view.along, 9),), feature.id
        if key not in self._plans:
            cloud = self.part.mesh.vertices[self.part.mesh.corners(feature.faces)]
            low = float(((cloud - view.origin) @ view.along).min())
            self._plans[key] = low, enclosed(self.part, view, np.array(feature.faces))
        return self._plans[key]


def _recesses(plans: Sequence[tuple[float, Any]]) -> Iterator[list[tuple[float, Any]]]:
    """Plans that touch, together: a cutter passes from one to the next, and their levels are the same."""
    plans = [(low, plan) for low, plan in plans if plan.area > _SLIVER_MM**2]
    shapes = np.array([plan for _, plan in plans])
    one, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=_SLIVER_MM)
    touching = coo_matrix((np.ones(len(one)), (one, other)), shape=(len(plans), len(plans)))
    count, group = connected_components(touching, directed=False)
    for n in range(count):
        yield [plans[k] for k in np.flatnonzero(group == n)]


def _steps(top_mm: float, floors: Sequence[float], step_mm: float) -> list[tuple[float, float]]:
    """Bottom and depth of even levels from the top to each floor in turn."""
    steps: list[tuple[float, float]] = []
    at = top_mm
    for low in sorted({round(floor, 6) for floor in floors}, reverse=True):
        if at - low < tol.LENGTH_MM:
            continue
        count = int(np.ceil((at - low) / step_mm - 1e-6))
        depth = (at - low) / count
        steps += [(at - depth * (k + 1), depth) for k in range(count)]
        at = low
    return steps


def tidy(region: Any) -> Any:
    """A region without its hairs."""
    return region.buffer(-_SLIVER_MM, join_style="mitre").buffer(_SLIVER_MM, join_style="mitre")

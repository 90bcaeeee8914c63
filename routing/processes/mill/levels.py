"""Clearing in levels: what a flat cutter may take of a stock at each depth, as plane regions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.sections import Bounds, Sections
from featurize.brep.silhouette import View, enclosed, merged
from featurize.brep.surfaces import Array
from featurize.feature import Feature

# What a rough cutter leaves on walls and floors for the finishing one (common practice, no source).
ROUGH_WALL_MM = 0.1
ROUGH_FLOOR_MM = 0.1
# What semi-finishing leaves for the finishing cutter to cut: as much as a wheel leaves on a floor.
SEMI_MM = 0.010
# On slopes a rough body is shown in levels so far apart (common practice, no source).
ROUGH_SLOPE_MM = 0.3
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

# The cosine to the tool of what is a floor, and what is less a wall.
_FLAT, _LEAN = 1 - 1e-6, 0.02
# So many levels on a slope at most.
_ON_SLOPES = 8

# A recess is looked at this many radii about its plan: one to a cutter's axis, one past it, half to spare.
_REACH = 2.5


@dataclass(frozen=True, eq=False)
class Level:
    """``centres`` is where a cutter's axis may be, ``cleared`` what it sweeps; down to ``bottom_mm``."""

    bottom_mm: float
    depth_mm: float  # from the level above
    centres: Any
    cleared: Any


@dataclass(frozen=True, eq=False)
class MilledRecess:
    """A recess from one side: the features made from it and what stands in a cutter's way.

    Where nothing changes from one level to the next, their regions are one object.

    Nothing is known outside the ``window``: no cutter goes so near its border that it could reach past it.
    """

    view: View
    steps: tuple[tuple[float, float], ...]  # bottom and depth of each level, from the top down
    masks: tuple[Any, ...]  # the features' plan at each level
    blocked: tuple[Any, ...]  # the part at each level and over it
    window: Bounds
    slope_step_mm: float = 0.0  # how far apart levels are on slopes, where it was asked

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


@dataclass(frozen=True, eq=False)
class SeenFeature:
    """A feature from one side: its lowest level, its plan, levels of its flats, low and high of slopes."""

    low_mm: float
    plan: Any
    flats: tuple[float, ...]
    slopes: tuple[tuple[float, float], ...]

    def heights(self, slope_mm: float | None) -> Iterator[float]:
        """Where levels have to lie."""
        yield self.low_mm
        yield from self.flats
        if slope_mm is None:
            return
        for low, high in self.slopes:
            yield from np.linspace(low, high, 1 + int(np.ceil((high - low) / self.slope_step_mm(slope_mm))))

    def slope_step_mm(self, slope_mm: float) -> float:
        """How far apart levels are on its slopes, 0 without any."""
        tallest = max((high - low for low, high in self.slopes), default=0.0)
        return min(max(slope_mm, tallest / _ON_SLOPES), tallest)


class Sides:
    """A part seen from where it is cleared; what is worked out of a feature is kept."""

    def __init__(self, part: Part) -> None:
        self.part = part
        self._sections: dict[tuple[float, ...], Sections] = {}
        self._plans: dict[tuple[tuple[float, ...], str], SeenFeature] = {}

    def grounds(
        self,
        toward: Array,
        features: Sequence[Feature],
        top_mm: float,
        step_mm: float,
        radius_mm: float,
        floor_mm: float = ROUGH_FLOOR_MM,
        slope_mm: float | None = None,
    ) -> Iterator[MilledRecess]:
        """The recesses seen from a unit direction (3,), each with levels of its own.

        They go from ``top_mm`` (along ``toward`` from the frame's origin) to each feature's own floor and to
        what in it is flat higher up, such as a boss, ``step_mm`` apart at most, more where the part would
        need too many; on slopes ``slope_mm``, if given, or an eighth of their height. What is undercut from
        this side stays blocked from the levels above it. ``radius_mm`` is of the largest cutter to come.
        """
        sections = self._seen(toward)
        step_mm = max(step_mm, (top_mm - sections.bottom) / _MOST_LEVELS)
        reach = _REACH * radius_mm + ROUGH_WALL_MM
        for seen in _recesses([self._plan(sections.view, f) for f in features]):
            heights = [h for s in seen for h in s.heights(slope_mm)]
            steps = _steps(top_mm, [h + floor_mm + _OFF_MM for h in heights], step_mm)
            if not steps:
                continue
            window = _box(shapely.total_bounds(np.array([s.plan for s in seen])), reach).bounds
            own = sections.near(window)
            masks: list[Any] = []
            blocked: list[Any] = []
            over, above, last = shapely.Polygon(), top_mm, -1
            for bottom, _ in steps:
                deeper = [s.plan for s in seen if s.low_mm < bottom]
                masks.append(masks[-1] if len(deeper) == last else shapely.union_all(deeper))
                # Whatever floor lies so near under a level keeps what is left on floors, its neighbours' too.
                if blocked and own.same(bottom - floor_mm, above - floor_mm):
                    blocked.append(blocked[-1])
                else:
                    over = merged([over, own.at(bottom - floor_mm)])
                    blocked.append(over.simplify(_THIN_MM))
                above, last = bottom, len(deeper)
            apart = max((s.slope_step_mm(slope_mm) for s in seen), default=0.0) if slope_mm else 0.0
            yield MilledRecess(sections.view, tuple(steps), tuple(masks), tuple(blocked), window, apart)

    def _seen(self, toward: Array) -> Sections:
        key = (*np.round(toward, 9),)
        if key not in self._sections:
            mesh = self.part.mesh
            self._sections[key] = Sections(View.of(self.part, toward), mesh.vertices[mesh.triangles])
        return self._sections[key]

    def plan_of(self, toward: Array, feature: Feature) -> tuple[View, float, Any]:
        """The view from a unit direction, a feature's lowest level there and its plan (shapely)."""
        view = self._seen(toward).view
        seen = self._plan(view, feature)
        return view, seen.low_mm, seen.plan

    def _plan(self, view: View, feature: Feature) -> SeenFeature:
        key = (*np.round(view.along, 9),), feature.id
        if key not in self._plans:
            flats, slopes, low = [], [], np.inf
            for i in feature.faces:
                cloud = self.part.mesh.vertices[self.part.mesh.corners([i])]
                height = (cloud - view.origin) @ view.along
                low = min(low, float(height.min()))
                up = self.part.faces[i].normals @ view.along
                if up.min() > _FLAT:
                    flats.append(float(height.max()))
                elif up.max() > _LEAN and up.min() > -_LEAN:
                    slopes.append((float(height.min()), float(height.max())))
            plan = enclosed(self.part, view, np.array(feature.faces))
            self._plans[key] = SeenFeature(low, plan, tuple(flats), tuple(slopes))
        return self._plans[key]


def _recesses(seen: Sequence[SeenFeature]) -> Iterator[list[SeenFeature]]:
    """Plans that touch, together: a cutter passes from one to the next, and their levels are the same."""
    seen = [s for s in seen if s.plan.area > _SLIVER_MM**2]
    shapes = np.array([s.plan for s in seen])
    one, other = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=_SLIVER_MM)
    touching = coo_matrix((np.ones(len(one)), (one, other)), shape=(len(seen), len(seen)))
    count, group = connected_components(touching, directed=False)
    for n in range(count):
        yield [seen[k] for k in np.flatnonzero(group == n)]


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

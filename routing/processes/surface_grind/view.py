"""Faces of a part as a grinding wheel sees them: end-on, along its traverse.

A view has ``along`` = traverse, ``up`` = the side the wheel comes from, ``across`` = cross-feed. A face
parallel to the traverse is a line or an arc there; the wheel can make it where nothing of the part
stands above it anywhere along the traverse, or along the span of it that the sight is of.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import cycle
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.ops import substring

from featurize import tolerances as tol
from featurize.brep.part import Part
from featurize.brep.sections import Sections
from featurize.brep.silhouette import View, areas, below, cast, covers, envelope, twice_area
from featurize.brep.surfaces import Array, Cylinder, Plane
from featurize.brep.surfaces_at import parallel, square
from featurize.kept import kept_with
from routing.processes.surface_grind.clip import between
from routing.processes.surface_grind.envelope_faces import highest_facets

# Free air is looked for this far in front of a face: twice what the mesh may stand off a hollow.
LOOK_MM = 2 * tol.MESH_DEFLECTION_MM
UPRIGHT_SINE = float(np.sin(np.radians(tol.PARALLEL_DEG)))
ENDLESS = (-np.inf, np.inf)


@dataclass(frozen=True, eq=False)
class Trace:
    """A face seen end-on. ``low`` and ``high`` are its ends (2,), from low to high across.

    ``normal`` (2,) points out of the material, of an arc at its middle; ``circle`` is
    (centre, radius, hollow) of a round face.
    """

    face: int
    low: Array
    high: Array
    normal: Array
    circle: tuple[Array, float, bool] | None = None

    @property
    def upright(self) -> bool:
        """Whether it is a wall square to the wheel's axis side, without extent across."""
        return self.circle is None and abs(float(self.normal[1])) < UPRIGHT_SINE

    @property
    def looks_away(self) -> bool:
        """Whether the wheel's side cannot see it at all."""
        return float(self.normal[1]) < -UPRIGHT_SINE

    @property
    def is_bottom(self) -> bool:
        """Whether a wheel stands on it."""
        return not (self.upright or self.looks_away)

    @property
    def is_floor(self) -> bool:
        """Whether it takes a floor's allowance: it, or its middle, lies nearer the cross-feed than 45 deg."""
        return self.slope_deg < 45.0 - tol.PARALLEL_DEG

    @property
    def slope_deg(self) -> float:
        """Angle to the cross-feed, 0 to 90; of a round face at its middle."""
        return float(np.degrees(np.arctan2(abs(self.normal[0]), abs(self.normal[1]))))

    def angles(self, count: int = 2) -> Array:
        """Evenly from one end of an arc to the other."""
        assert self.circle is not None
        centre, _, hollow = self.circle
        middle = -self.normal if hollow else self.normal
        base = float(np.arctan2(middle[1], middle[0]))
        ends = [_turn(p - centre, base) for p in (self.low, self.high)]
        return np.asarray(base + np.linspace(ends[0], ends[1], count))

    def points(self, count: int = 25) -> Array:
        """Points along it (k, 2)."""
        if self.circle is None:
            return np.array([self.low, self.high])
        centre, radius, _ = self.circle
        angles = self.angles(count)
        return centre + radius * np.column_stack([np.cos(angles), np.sin(angles)])

    def height(self, across: float) -> float:
        """Level at a place across; of a wall its foot."""
        if self.upright:
            return float(self.low[1])
        if self.circle is None:
            return float(self.low[1] - (across - self.low[0]) * self.normal[0] / self.normal[1])
        line = self.points()
        return float(np.interp(across, line[:, 0], line[:, 1]))

    def in_line_with(self, other: Trace) -> bool:
        """Whether two flat faces lie in one plane, looking the same way."""
        if self is other:
            return True
        if self.circle is not None or other.circle is not None:
            return False
        apart = (np.array([other.low, other.high]) - self.low) @ self.normal
        return float(self.normal @ other.normal) > 0.999999 and float(np.abs(apart).max()) < tol.LENGTH_MM


def _turn(away: Array, base: float) -> Any:
    """Angles of directions (..., 2) against another, from -pi to pi."""
    return (np.arctan2(away[..., 1], away[..., 0]) - base + np.pi) % (2 * np.pi) - np.pi


@dataclass(eq=False)
class TraverseView:
    """A part seen along one traverse from one side.

    ``span`` is what of the traverse it is of, in mm along the view from its origin: what stands beyond is
    not seen.
    """

    part: Part
    view: View
    span: tuple[float, float] = ENDLESS

    @cached_property
    def flat(self) -> Array:
        """The mesh's corners in the view (n, 2), beyond the span too."""
        return self.view.flat(self.part.mesh.vertices)

    @cached_property
    def top(self) -> float:
        """Highest level of the part: what a wheel's depth is measured from."""
        return float(self.flat[:, 1].max())

    @cached_property
    def wide(self) -> tuple[float, float]:
        """How far the part reaches across."""
        return float(self.flat[:, 0].min()), float(self.flat[:, 0].max())

    @cached_property
    def corners(self) -> Array:
        """Of all facets (m, 3, 3): across, up and along the view, from its origin."""
        axes = np.array([self.view.across, self.view.up, self.view.along])
        return np.asarray(((self.part.mesh.vertices - self.view.origin) @ axes.T)[self.part.mesh.triangles])

    @cached_property
    def _facets(self) -> tuple[Array, NDArray[np.int64]]:
        """Corners (m, 3, 2) of the facets in the span, and the face of each."""
        mesh = self.part.mesh
        if self.span == ENDLESS:
            return self.flat[mesh.triangles], mesh.face_ids
        inside, of = between(self.corners, 2, *self.span)
        return inside[:, :, :2], mesh.face_ids[of]

    @cached_property
    def _sections(self) -> Sections:
        return Sections(self.view, self.part.mesh.vertices[self.part.mesh.triangles])

    def on(self, low: float, high: float) -> TraverseView:
        """The same part and view, of a span alone."""
        seen = TraverseView(self.part, self.view, (low, high))
        seen.corners, seen._sections = self.corners, self._sections
        return seen

    @cached_property
    def line(self) -> Array:
        """The upper envelope of what is seen (k, 2)."""
        corners, owner = self._facets
        cover = np.array([covers(f.surface, self.view) for f in self.part.faces])[owner]
        top = highest_facets(corners[cover], owner[cover])
        if self.span == ENDLESS:
            return envelope(cast(self.part, self.view, top))
        seen = cover & np.isin(owner, top) & (np.abs(twice_area(corners)) > tol.LENGTH_MM**2)
        ends = [self._sections.at(at) for at in self.span if np.isfinite(at)]
        return envelope(
            areas(shapely.union_all([*shapely.polygons(corners[seen]), *ends], grid_size=tol.SNAP_MM))
        )

    @cached_property
    def solid(self) -> Any:
        """Everything under the envelope."""
        region = below(self.line, float(self.flat[:, 1].min()) - 1.0)
        shapely.prepare(region)
        return region

    def trace(self, face: int) -> Trace | None:
        """A face seen end-on, None if it is not parallel to the traverse or not in the span."""
        surface = self.part.faces[face].surface
        corners = (
            self.flat[self.part.mesh.corners([face])]
            if self.span == ENDLESS
            else self._facets[0][self._facets[1] == face].reshape(-1, 2)
        )
        if len(corners) == 0:
            return None
        turn = np.array([self.view.across, self.view.up])
        if isinstance(surface, Plane) and square(surface.normal, self.view.along):
            normal = turn @ surface.normal
            normal = normal / np.linalg.norm(normal)
            run = np.array([normal[1], -normal[0]])
            level = float(self.view.flat(surface.origin) @ normal)
            places = corners @ run
            a, b = (level * normal + s * run for s in (float(places.min()), float(places.max())))
            return Trace(face, *_sorted(a, b), normal)
        if isinstance(surface, Cylinder) and parallel(surface.axis, self.view.along):
            centre = self.view.flat(surface.origin)
            sense = -1.0 if surface.hollow else 1.0
            mean = sense * (turn @ self.part.faces[face].normals.mean(axis=0))
            base = float(np.arctan2(mean[1], mean[0]))
            angles = _turn(corners - centre, base)
            first, last = float(angles.min()), float(angles.max())
            a, b, middle = (
                np.array([np.cos(base + s), np.sin(base + s)]) for s in (first, last, (first + last) / 2)
            )
            ends = _sorted(centre + surface.radius_mm * a, centre + surface.radius_mm * b)
            return Trace(face, *ends, sense * middle, (centre, surface.radius_mm, surface.hollow))
        return None

    def hidden(self, trace: Trace) -> list[tuple[Array, Array]]:
        """Ends of the stretches of a trace that the part stands in front of."""
        line = trace.points()
        along = np.gradient(line, axis=0)
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        outward = np.column_stack([-along[:, 1], along[:, 0]])
        if float(np.sum(outward[len(line) // 2] * trace.normal)) < 0:
            outward = -outward
        front = shapely.linestrings(line + LOOK_MM * outward)
        trim = min(3 * LOOK_MM, front.length / 3)  # a neighbour in an inward corner is not in the way
        front = substring(front, trim, front.length - trim)
        found = [g for g in shapely.get_parts(front.intersection(self.solid)) if g.length > LOOK_MM]
        return [_sorted(*np.asarray(g.coords)[[0, -1]]) for g in found]

    def visible(self, trace: Trace) -> Iterator[Trace]:
        """The free stretches of a trace; of a round one all or nothing."""
        hidden = sorted(self.hidden(trace), key=lambda ends: float(ends[0][0]))
        if not hidden or trace.circle is not None:
            yield from () if hidden else (trace,)
            return
        stops = [float(trace.low[0]), *(float(p[0]) for ends in hidden for p in ends), float(trace.high[0])]
        # A round outline is known to a chord.
        stops[1:-1] = [x - s * self.part.mesh.deflection_mm for x, s in zip(stops[1:-1], cycle((1, -1)))]
        for a, b in zip(stops[::2], stops[1::2], strict=True):
            if b - a > 3 * LOOK_MM + tol.LENGTH_MM:
                low, high = (np.array([x, trace.height(x)]) for x in (a, b))
                yield replace(trace, low=low, high=high)

    def obstacle(self, trace: Trace, stretch: tuple[Array, Array], own: Iterable[int]) -> tuple[int, float]:
        """The highest foreign face over a stretch, and how far it stands above the trace; (-1, 0) if none."""
        corners, owner = self._facets
        middle = float(stretch[0][0] + stretch[1][0]) / 2
        low, high = min(stretch[0][0] + LOOK_MM, middle), max(stretch[1][0] - LOOK_MM, middle)
        over = (corners[:, :, 0].min(axis=1) <= high) & (corners[:, :, 0].max(axis=1) >= low)
        over &= ~np.isin(owner, list(own))
        if not over.any():
            return -1, 0.0
        tops = np.where(over, corners[:, :, 1].max(axis=1), -np.inf)
        # Of the faces that reach this high name the one across the traverse: the wheel would meet it.
        best = np.unique(owner[tops >= tops.max() - tol.LENGTH_MM])
        facing = [round(float(np.abs(self.part.faces[f].normals @ self.view.along).max()), 3) for f in best]
        return int(best[int(np.argmax(facing))]), float(tops.max()) - trace.height(middle)

    def free_beyond(self, at: Array, direction: Array) -> float:
        """How far air reaches from a point of the envelope in a direction (2,); inf when for ever."""
        away = np.array([-direction[1], direction[0]])
        away = away if away[1] > 0 else -away
        start = at + 2 * tol.LENGTH_MM * away + tol.LENGTH_MM * direction
        past = float(np.ptp(self.flat, axis=0).sum()) + 1.0
        hit = shapely.linestrings([start, start + past * direction]).intersection(self.solid)
        if hit.is_empty or shapely.length(hit) < tol.LENGTH_MM:
            return float("inf")
        there = float(shapely.distance(shapely.points(start), hit))
        return there + tol.LENGTH_MM if there > 0 else 0.0


def sight(part: Part, traverse: Array, side: Array) -> TraverseView:
    """The part seen along a traverse with the wheel on a side (unit directions, model coordinates)."""
    view = View.toward(part.frame.origin, traverse, side)
    key = (*np.round(np.concatenate([view.origin, view.along, view.up]), 9),)
    return kept_with(part, ("sight", key), lambda: TraverseView(part, view))


def _sorted(a: Array, b: Array) -> tuple[Array, Array]:
    """Two points from low to high across; of an upright pair the lower first."""
    return (a, b) if (round(float(a[0]), 9), float(a[1])) <= (round(float(b[0]), 9), float(b[1])) else (b, a)

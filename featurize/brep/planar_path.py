"""Open and closed plane paths of lines and true arcs, with the wheel's corner rolled into their feet.

Points are (across, up) in mm. A path runs from low to high across with the air on its left.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.surfaces import Array

# Chord error where an arc has to become a polygon, far under any allowance.
_CHORD_MM = 1e-5
# Neighbours that turn less than this run smoothly into each other: no wheel corner leaves anything there.
_SMOOTH_SINE = float(np.sin(np.radians(tol.TANGENT_DEG)))


@dataclass(frozen=True, eq=False)
class Segment:
    """From ``start`` to ``end``; with ``mid`` set, the arc through it."""

    start: Array
    end: Array
    mid: Array | None = None

    @cached_property
    def length_mm(self) -> float:
        """The chord's length."""
        return float(np.hypot(*(self.end - self.start)))

    def centre(self) -> Array:
        """The centre of an arc."""
        assert self.mid is not None
        a, b = self.mid - self.start, self.end - self.start
        rows = 2 * np.array([a, b])
        return np.asarray(self.start + np.linalg.solve(rows, np.array([a @ a, b @ b])))

    def points(self) -> Array:
        """The ends of a line; an arc finely enough (k, 2)."""
        return self._points

    @cached_property
    def _points(self) -> Array:
        if self.mid is None:
            return np.array([self.start, self.end])
        centre = self.centre()
        radius = float(np.linalg.norm(self.start - centre))
        first, turn = self._angles(centre)
        step = 2 * np.arccos(max(1 - _CHORD_MM / radius, 0.5))
        count = max(2, int(np.ceil(abs(turn) / step)))
        angles = first + turn * np.linspace(0, 1, count + 1)
        inner = centre + radius * np.column_stack([np.cos(angles), np.sin(angles)])
        return np.vstack([self.start, inner[1:-1], self.end])

    def extra_area(self) -> float:
        """Signed area between an arc and its chord, as the shoelace sum counts it."""
        if self.mid is None:
            return 0.0
        centre = self.centre()
        _, turn = self._angles(centre)
        radius_2 = float((self.start - centre) @ (self.start - centre))
        return radius_2 * (turn - float(np.sin(turn))) / 2

    def _angles(self, centre: Array) -> tuple[float, float]:
        assert self.mid is not None
        first, mid, last = (float(np.arctan2(*(p - centre)[::-1])) for p in (self.start, self.mid, self.end))
        full = 2 * np.pi
        forth = (last - first) % full
        return first, forth if (mid - first) % full <= forth else forth - full


def area_of(path: list[Segment]) -> float:
    """Exact signed area of a closed path, positive where it runs against the clock."""
    starts, ends = np.array([s.start for s in path]), np.array([s.end for s in path])
    shoelace = float(np.sum(starts[:, 0] * ends[:, 1] - starts[:, 1] * ends[:, 0])) / 2
    return shoelace + sum(s.extra_area() for s in path)


def polygon_of(path: list[Segment]) -> Any:
    """A closed path as a shapely polygon, arcs as chords."""
    return shapely.polygons(np.vstack([s.points()[:-1] for s in path]))


def rolled(bottom: list[Segment], radii: list[float]) -> list[Segment] | None:
    """The path with an arc rolled into each inward corner; ``radii`` has one for each joint.

    None where an arc does not fit between its neighbours, or meets another arc: see ``opened``.
    """
    left = [0.0] * len(bottom)
    right = [0.0] * len(bottom)
    arcs: list[Segment | None] = [None] * (len(bottom) - 1)
    for k, radius in enumerate(radii):
        a, b = bottom[k], bottom[k + 1]
        if not is_foot(a, b) or radius < tol.LENGTH_MM:
            continue
        if a.mid is not None or b.mid is not None:
            return None
        u, v = (a.end - a.start) / a.length_mm, (b.end - b.start) / b.length_mm
        turn = float(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v))
        tangent = radius * np.tan(turn / 2)
        right[k], left[k + 1] = tangent, tangent
        inward = (v - u) / np.linalg.norm(v - u)
        centre = a.end + inward * radius / np.cos(turn / 2)
        arcs[k] = Segment(a.end - tangent * u, a.end + tangent * v, centre - radius * inward)
    path: list[Segment] = []
    for k, s in enumerate(bottom):
        spare = s.length_mm - left[k] - right[k]
        if spare < -tol.LENGTH_MM / 100:
            return None
        if s.mid is not None:
            path.append(s)
        elif spare > tol.LENGTH_MM / 100:
            start = path[-1].end if left[k] and path else s.start
            arc = arcs[k] if k < len(arcs) else None
            path.append(Segment(start, arc.start if arc is not None else s.end))
        if k < len(arcs) and (arc := arcs[k]) is not None:
            path.append(Segment(path[-1].end if path else arc.start, arc.end, arc.mid))
    return path


def is_foot(a: Segment, b: Segment) -> bool:
    """Whether a wheel sees an inward corner where two pieces meet."""
    u, v = _leaving(a), _entering(b)
    return float(u[0] * v[1] - u[1] * v[0]) > _SMOOTH_SINE or float(u @ v) < -0.99


def _leaving(s: Segment) -> Array:
    return _tangent(s, s.end)


def _entering(s: Segment) -> Array:
    return _tangent(s, s.start)


def _tangent(s: Segment, at: Array) -> Array:
    if s.mid is None:
        return np.asarray((s.end - s.start) / max(s.length_mm, 1e-12))
    radial = at - s.centre()
    tangent = np.asarray(np.array([-radial[1], radial[0]]) / np.linalg.norm(radial))
    return tangent if s._angles(s.centre())[1] > 0 else -tangent


def opened(region: Any, radius: float) -> list[list[Segment]]:
    """What a wheel corner reaches of a region when its arcs do not fit: closed paths of lines.

    Errs to less removal: chords of a swept circle lie inside it, and the result is cut to the region.
    """
    fine = 64
    reached = region.buffer(-radius, quad_segs=fine).buffer(radius, quad_segs=fine).intersection(region)
    paths = []
    for piece in shapely.get_parts(reached):
        if piece.geom_type != "Polygon" or piece.area < tol.LENGTH_MM:
            continue
        smaller = shapely.simplify(piece.buffer(-tol.LENGTH_MM / 10, join_style="mitre"), tol.LENGTH_MM / 10)
        ring = np.asarray(shapely.orient_polygons(smaller).exterior.coords)
        paths.append([Segment(p, q) for p, q in zip(ring[:-1], ring[1:], strict=True)])
    return paths

"""What a round tool leaves of a plane region, and such regions as solids with true arcs.

Regions are shapely polygons in the coordinates of a view, mm.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import shapely

from featurize import tolerances as tol
from featurize.brep.planar_path import Segment
from featurize.brep.silhouette import View
from featurize.brep.solids import cut, prism
from featurize.brep.surfaces import Array

# Chords of an offset's arcs miss them by this; their corners lie on them, and make true arcs of them again.
_CHORD_MM = 2e-5
# A tool that just fits is let in: with a radius this much smaller it leaves under this share of a piece.
_FITS_MM = tol.LENGTH_MM
_LET_IN = 0.9
# ... but for a corner of 30 deg or more, which is smaller than this times the radius squared.
_CORNER = 2.4
_SNAP_MM = 1e-7
# What is nowhere thicker is the chords' own.
_THIN_MM = 1e-4
# Corners of a polygon lie on an arc within this; sections are rounded to a millionth.
ON_ARC_MM = 5e-6
# A region's outline is good to this, where it is no chord of a mesh.
OUTLINE_MM = _CHORD_MM + ON_ARC_MM
# Chords of one arc turn by no more than this each, an arc by no more than the other.
_TURN, _ARC = np.radians(20.0), np.radians(170.0)


@dataclass(frozen=True, eq=False)
class Reach:
    """Where a disc gets to that stays within ``free``."""

    free: Any
    radius_mm: float

    def left_of(self, region: Any) -> list[Any]:
        """The pieces of a region that the disc does not reach: polygons."""
        exact = thick(_less(region, self._exact))
        if all(float(p.area) < _CORNER * self.radius_mm**2 for p in exact):
            return exact
        # A gap as wide as the disc lets it in, which the exact radius would decide by chance.
        loose = thick(_less(region, self._loose))
        kept = []
        for piece in exact:
            inside = [p for p in loose if float(p.intersection(piece).area) > 0]
            kept += [piece] if sum(float(p.area) for p in inside) > _LET_IN * float(piece.area) else inside
        return kept

    @cached_property
    def _exact(self) -> Any:
        return _opened(self.free, self.radius_mm) if self.radius_mm >= tol.LENGTH_MM else self.free

    @cached_property
    def _loose(self) -> Any:
        return _opened(self.free, self.radius_mm - _FITS_MM).buffer(_FITS_MM)


def _opened(free: Any, radius_mm: float) -> Any:
    quarter = int(np.ceil(np.pi / 4 / np.arccos(1 - min(_CHORD_MM / radius_mm, 0.5))))
    return free.buffer(-radius_mm, quad_segs=quarter).buffer(radius_mm, quad_segs=quarter)


def _less(region: Any, other: Any) -> Any:
    # Snapped, so that no hair of the offsets' rounding joins two pieces.
    return shapely.difference(region, other, grid_size=_SNAP_MM)


def thick(region: Any) -> list[Any]:
    """The polygons of a region without its hairs."""
    return [
        p
        for p in shapely.get_parts(region)
        if p.geom_type == "Polygon" and not p.buffer(-_THIN_MM / 2, join_style="mitre").is_empty
    ]


def chords_mm(path: Sequence[Segment]) -> float:
    """The length of chords that stand for a curve: lines that turn a little into the next line."""
    lengths = 0.0
    for a, b in zip(path, [*path[1:], path[0]], strict=True):
        u, v = a.end - a.start, b.end - b.start
        turn = abs(float(np.arctan2(u[0] * v[1] - u[1] * v[0], u @ v)))
        if a.mid is None and b.mid is None and turn < _TURN:
            lengths += max(a.length_mm, b.length_mm)
    return lengths


def solid_of(view: View, region: Any, low_mm: float, high_mm: float) -> Any:
    """A polygon between two places along the view, its arcs true ones."""
    body = prism(view, path_of(region.exterior), low_mm, high_mm)
    holes = [prism(view, path_of(ring), low_mm - 1, high_mm + 1) for ring in region.interiors]
    return cut(body, holes) if holes else body


def path_of(ring: Any) -> list[Segment]:
    """A closed ring as lines and arcs: corners that follow each other on one circle are an arc."""
    points = _corners(shapely.get_coordinates(ring)[:-1])
    turns = np.abs(_turns(points))
    points = np.roll(points, -int(np.argmax(turns)), axis=0)
    points = np.vstack([points, points[:1]])
    path, k = [], 0
    while k < len(points) - 1:
        end = _arc_end(points, k)
        middle = points[(k + end) // 2] if end > k + 1 else None
        path.append(Segment(points[k], points[end], middle))
        k = end
    return path


def _corners(points: Array) -> Array:
    """A ring without corners on a straight line, and without repeats."""
    kept = points[np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > tol.LENGTH_MM / 100]
    a, b = kept - np.roll(kept, 1, axis=0), np.roll(kept, -1, axis=0) - kept
    chord = np.linalg.norm(a + b, axis=1)
    off = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]) / np.maximum(chord, tol.LENGTH_MM / 100)
    straight = (off < ON_ARC_MM) & (np.sum(a * b, axis=1) > 0)
    return np.asarray(kept[~straight])


def _turns(points: Array) -> Array:
    a, b = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    return np.asarray(np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], np.sum(a * b, axis=1)))


def _arc_end(points: Array, start: int) -> int:
    """The last point of the longest arc from a point on, of three chords at least; else the next point."""
    good, step = start, 3
    while step:
        end = good + step
        if end < len(points) and _on_arc(points[start : end + 1]):
            good, step = end, 2 * step
        elif good == start:
            return start + 1
        else:
            step //= 2
    return good


def _on_arc(points: Array) -> bool:
    circle = _circle(points[0], points[len(points) // 2], points[-1])
    if circle is None:
        return False
    away = points - circle[0]
    if float(np.abs(np.linalg.norm(away, axis=1) - circle[1]).max()) > ON_ARC_MM:
        return False
    p, q = away[:-1], away[1:]
    steps = np.arctan2(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0], np.sum(p * q, axis=1))
    one_way = bool(np.all(steps > 0) or np.all(steps < 0))
    widest = float(np.abs(steps).max())
    near = circle[1] * (1 - np.cos(widest / 2)) < 2 * tol.MESH_DEFLECTION_MM
    # A long chord between two short ones is a wall, by chance between two rounds.
    even = widest < 3 * float(np.median(np.abs(steps)))
    return one_way and bool(near) and even and widest < _TURN and abs(float(steps.sum())) < _ARC


def _circle(a: Array, b: Array, c: Array) -> tuple[Array, float] | None:
    rows = 2 * np.array([b - a, c - a])
    if abs(float(np.linalg.det(rows))) < tol.LENGTH_MM**2 / 100:
        return None
    centre = a + np.linalg.solve(rows, np.sum((rows / 2) ** 2, axis=1))
    return centre, float(np.linalg.norm(centre - a))


def same(a: Sequence[Any], b: Sequence[Any]) -> bool:
    """Whether two sets of polygons cover the same."""
    one, other = shapely.union_all(list(a)), shapely.union_all(list(b))
    return float(one.symmetric_difference(other).area) < ON_ARC_MM * float(one.length + other.length)


def boxes(intervals: Iterable[tuple[float, float]], low: float, high: float) -> Any:
    """Upright strips over some stretches across."""
    return shapely.union_all([shapely.box(a, low, b, high) for a, b in intervals])

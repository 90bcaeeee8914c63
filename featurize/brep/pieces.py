"""The kernel's edges as pieces: points, course and the turn between the faces on both sides.

Lines and circles are worked out all at once; only other curves are asked of the kernel point by point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.GeomAbs import GeomAbs_CurveType as CurveType
from OCP.gp import gp_Pnt, gp_Vec
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopExp import TopExp, TopExp_Explorer
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_IndexedMapOfShape

from featurize import tolerances as tol
from featurize.brep.patches import Patch
from featurize.brep.surfaces import Array
from featurize.brep.surfaces_at import NormalTable

_EDGE, _VERTEX = TopAbs_ShapeEnum.TopAbs_EDGE, TopAbs_ShapeEnum.TopAbs_VERTEX
_REVERSED = TopAbs_Orientation.TopAbs_REVERSED
# From here on a turn's sign is not to be trusted.
_FOLDED_DEG = 179.0
_ON_A_LINE, _ON_AN_ARC = 3, 17  # points that show a course: the span's ends, a half circle's arc


@dataclass(eq=False)
class EdgePiece:
    """One kernel edge between two kernel faces."""

    patches: tuple[int, int]
    points: Array
    length_mm: float
    curve: str
    circle: tuple[Array, Array, float] | None
    ends: tuple[int, int]
    turn_deg: float  # 180 less the angle through the material
    elementary: bool  # a line or circle to the kernel too
    place: int  # in the solid's edges


@dataclass(eq=False)
class _Use:
    """An edge and the two faces it parts, as the kernel has them."""

    place: int
    patches: tuple[int, int]
    edges: tuple[Any, Any]  # oriented as in each of the faces
    curve: Any
    ends: tuple[int, int]

    @property
    def sense(self) -> float:
        """-1 where the first face runs against the curve."""
        return -1.0 if self.edges[0].Orientation() == _REVERSED else 1.0

    def parameters(self, count: int) -> Array:
        """Evenly from end to end."""
        return np.linspace(self.curve.FirstParameter(), self.curve.LastParameter(), count)


@dataclass(eq=False)
class _Course:
    """Points (n, k, 3) of n edges, and there the directions in which their first faces run along them."""

    uses: Sequence[_Use]
    points: Array
    along: Array


def mapped(shape: Any, kind: Any) -> Any:
    """The kernel's indexed map (from 1) of the sub-shapes of a kind."""
    found = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(shape, kind, found)
    return found


def pieces_of(solid: Any, patches: Sequence[Patch]) -> list[EdgePiece]:
    """The edges that part two faces, in the solid's order; seams and edges of broken solids are none."""
    lines: list[_Use] = []
    circles: list[_Use] = []
    others: list[_Use] = []
    for use in _uses(solid, patches):
        kind = use.curve.GetType()
        of_kind = {CurveType.GeomAbs_Line: lines, CurveType.GeomAbs_Circle: circles}.get(kind, others)
        of_kind.append(use)
    normals = NormalTable([p.surface for p in patches])
    found = []
    if lines:
        course = _straight(lines)
        lengths = np.linalg.norm(np.diff(course.points, axis=1), axis=2).sum(axis=1)
        turns = _turns(course, normals, patches)
        for use, points, length, turn in zip(lines, course.points, lengths, turns, strict=True):
            found.append(_piece(use, points, float(length), "line", None, turn, known=True))
    if circles:
        course = _round(circles)
        turns = _turns(course, normals, patches)
        for use, points, turn in zip(circles, course.points, turns, strict=True):
            kind, circle = _kind_of_arc(points, use.curve.Circle())
            found.append(_piece(use, points, _length(points, kind, circle), kind, circle, turn, known=True))
    for use in others:
        course = _asked(use)
        points = course.points[0]
        kind, circle = _curve_kind(points)
        (turn,) = _turns(course, normals, patches)
        found.append(_piece(use, points, _length(points, kind, circle), kind, circle, turn, known=False))
    return sorted(found, key=lambda p: p.place)


def _piece(
    use: _Use,
    points: Array,
    length_mm: float,
    kind: str,
    circle: tuple[Array, Array, float] | None,
    turn_deg: float,
    *,
    known: bool,
) -> EdgePiece:
    return EdgePiece(
        use.patches, points, length_mm, kind, circle, use.ends, float(turn_deg), known, use.place
    )


def _uses(solid: Any, patches: Sequence[Patch]) -> list[_Use]:
    kernel_edges, vertices = mapped(solid, _EDGE), mapped(solid, _VERTEX)
    uses: list[list[tuple[int, Any]]] = [[] for _ in range(kernel_edges.Extent())]
    for f, patch in enumerate(patches):
        walk = TopExp_Explorer(patch.kernel_face, _EDGE)
        while walk.More():
            edge = walk.Current()
            uses[kernel_edges.FindIndex(edge) - 1].append((f, edge))
            walk.Next()
    found = []
    for place, used in enumerate(uses):
        if len(used) != 2 or used[0][0] == used[1][0]:
            continue
        edge = TopoDS.Edge_s(kernel_edges(place + 1))
        if BRep_Tool.Degenerated_s(edge):
            continue
        (a, in_a), (b, in_b) = used
        first, last = TopExp.FirstVertex_s(edge), TopExp.LastVertex_s(edge)
        ends = (vertices.FindIndex(first) - 1, vertices.FindIndex(last) - 1)
        found.append(
            _Use(place, (a, b), (TopoDS.Edge_s(in_a), TopoDS.Edge_s(in_b)), BRepAdaptor_Curve(edge), ends)
        )
    return found


def _straight(uses: Sequence[_Use]) -> _Course:
    t = np.array([use.parameters(_ON_A_LINE) for use in uses])
    axes = (use.curve.Line().Position() for use in uses)
    rows = np.array([_numbers(axis.Location(), axis.Direction()) for axis in axes])
    origin, direction = rows[:, None, :3], rows[:, None, 3:]
    senses = np.array([use.sense for use in uses])[:, None, None]
    points = origin + t[:, :, None] * direction
    return _Course(uses, points, np.broadcast_to(senses * direction, points.shape))


def _round(uses: Sequence[_Use]) -> _Course:
    t = np.array([use.parameters(_ON_AN_ARC) for use in uses])[:, :, None]
    circles = [use.curve.Circle() for use in uses]
    frames = [(c.Location(), c.Position().XDirection(), c.Position().YDirection()) for c in circles]
    rows = np.array([_numbers(*frame) for frame in frames])
    origin, x, y = rows[:, None, :3], rows[:, None, 3:6], rows[:, None, 6:]
    radius = np.array([c.Radius() for c in circles])[:, None, None]
    senses = np.array([use.sense for use in uses])[:, None, None]
    points = origin + radius * (np.cos(t) * x + np.sin(t) * y)
    return _Course(uses, points, senses * (np.cos(t) * y - np.sin(t) * x))


def _asked(use: _Use) -> _Course:
    parameters = use.parameters(_samples_along(use.curve))
    p, d = gp_Pnt(), gp_Vec()
    points, along = np.empty((2, 1, len(parameters), 3))
    for k, t in enumerate(parameters):
        use.curve.D1(float(t), p, d)
        points[0, k] = _numbers(p)
        along[0, k] = _numbers(d)
    return _Course([use], points, use.sense * along)


def _numbers(*vectors: Any) -> list[float]:
    return [c for v in vectors for c in (v.X(), v.Y(), v.Z())]


def _turns(course: _Course, table: NormalTable, patches: Sequence[Patch]) -> Array:
    """The median turn (n,) in degrees from the first face to the second, between the ends of each edge.

    Where faces lie back to back the sign is lost in rounding: on a knife edge each lies behind the other,
    in a cleft before it.
    """
    points, along = course.points[:, 1:-1], course.along[:, 1:-1]
    sides = []
    for side in (0, 1):
        of = np.array([use.patches[side] for use in course.uses])
        normals = table.at(of, points)
        for k in np.flatnonzero(~table.known[of]).tolist():
            use = course.uses[k]
            parameters = use.parameters(course.points.shape[1])[1:-1]
            normals[k] = patches[of[k]].normals_on(use.edges[side], parameters)
        sides.append(normals)
    na, nb = sides
    into_a = np.cross(na, along)
    into_a /= np.maximum(np.linalg.norm(into_a, axis=2, keepdims=True), 1e-300)
    turns = np.degrees(np.arctan2(-np.sum(nb * into_a, axis=2), np.sum(na * nb, axis=2)))
    found = np.median(turns, axis=1)
    for k in np.flatnonzero(np.abs(found) > _FOLDED_DEG).tolist():
        a, b = (patches[p].points for p in course.uses[k].patches)
        middle, which = course.points[k, course.points.shape[1] // 2], points.shape[1] // 2
        apart = np.mean((b - middle) @ na[k, which]) + np.mean((a - middle) @ nb[k, which])
        found[k] = abs(found[k]) if apart < 0 else -abs(found[k])
    return np.asarray(found)


def _samples_along(curve: Any) -> int:
    """Points that show a curve's course: an arc's, or each bend of a spline."""
    if curve.GetType() == CurveType.GeomAbs_BSplineCurve:
        # A helix of many turns is one spline; a few points would fold its turns onto each other.
        return int(np.clip(4 * curve.NbKnots() + 1, _ON_AN_ARC, 513))
    return _ON_AN_ARC


def _kind_of_arc(points: Array, known: Any) -> tuple[str, tuple[Array, Array, float] | None]:
    """The same as ``_curve_kind`` for what is a circle to the kernel."""
    kind = _line_or_dot(points)
    if kind is not None:
        return kind, None
    rows = np.array(_numbers(known.Location(), known.Axis().Direction()))
    return "circle", (rows[:3], rows[3:], float(known.Radius()))


def _line_or_dot(points: Array) -> str | None:
    chord = points - points[0]
    sizes = np.sqrt(np.sum(chord * chord, axis=1))
    k = int(np.argmax(sizes))
    if sizes[k] < tol.LENGTH_MM:
        return "other"
    far = chord[k] / sizes[k]
    off = chord - (chord @ far)[:, None] * far
    return "line" if float(np.max(np.sum(off * off, axis=1))) < tol.FIT_MM**2 else None


def _curve_kind(points: Array) -> tuple[str, tuple[Array, Array, float] | None]:
    """Line, circle (with centre, axis, radius) or other, whatever the exporter called it."""
    kind = _line_or_dot(points)
    if kind is not None:
        return kind, None
    _, _, rows = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)
    flat = (points - points.mean(axis=0)) @ rows.T
    if float(np.max(np.abs(flat[:, 2]))) > tol.FIT_MM:
        return "other", None
    system = np.column_stack([2 * flat[:, :2], np.ones(len(flat))])
    solution, *_ = np.linalg.lstsq(system, np.sum(flat[:, :2] ** 2, axis=1), rcond=None)
    radius = float(np.sqrt(max(0.0, solution[2] + solution[0] ** 2 + solution[1] ** 2)))
    away = np.linalg.norm(flat[:, :2] - solution[:2], axis=1) - radius
    if float(np.max(np.abs(away))) > tol.FIT_MM:
        return "other", None
    centre = points.mean(axis=0) + solution[:2] @ rows[:2]
    return "circle", (centre, rows[2], radius)


def _length(points: Array, kind: str, circle: tuple[Array, Array, float] | None) -> float:
    chords = np.linalg.norm(np.diff(points, axis=0), axis=1)
    if kind != "circle" or circle is None:
        return float(chords.sum())
    return float(np.sum(2 * circle[2] * np.arcsin(np.minimum(1.0, chords / (2 * circle[2])))))

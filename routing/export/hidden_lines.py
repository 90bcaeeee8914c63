"""What an eye far off sees of some solids, as lines and regions: the kernel's hidden-line removal.

Lines keep their form (straight, or a true arc where a circle is seen square). The regions that they bound
belong each to one face: the one that a line of sight through the middle of the region meets first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepLib import BRepLib
from OCP.GCPnts import GCPnts_TangentialDeflection
from OCP.GeomAbs import GeomAbs_CurveType
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.HLRAlgo import HLRAlgo_Projector
from OCP.HLRBRep import HLRBRep_Algo, HLRBRep_HLRToShape
from OCP.TopoDS import TopoDS

from featurize.brep.shapes import EDGE, each
from featurize.brep.surfaces import Array
from routing.export.viewer.mesh import ViewMesh

EDGES, SMOOTH, OUTLINE = "edge", "smooth", "outline"
# Chords of what is no arc, for paper.
_CHORD_MM, _TURN = 0.01, 0.12
# Lines are carried on by this, so that those that end on a chord cross it.
_OVER_MM = 0.02
# Cells smaller than this are what rounding leaves.
_CELL_MM2 = 1e-3
_GRID_MM = 1e-5
# Lines of sight are cast in lots, to bound the memory.
_CHUNK = 2_000_000


@dataclass(frozen=True, eq=False)
class Arc:
    """Of a circle in the view: from an angle to another against the clock, radians."""

    centre: Array
    radius_mm: float
    start: float
    end: float

    @property
    def is_whole(self) -> bool:
        return self.end - self.start > 2 * np.pi - 1e-9


@dataclass(frozen=True, eq=False)
class Stroke:
    """A line in the view: points (n, 2), mm. ``kind`` is an edge, a smooth one, or a round face's outline."""

    points: Array
    kind: str
    body: int
    hidden: bool = False
    arc: Arc | None = None


@dataclass(frozen=True, eq=False)
class Cell:
    """A region (shapely Polygon) in which one face of one body is seen, -1 and -1 where nothing is."""

    region: Any
    body: int
    face: int


@dataclass(frozen=True, eq=False)
class Body:
    """A solid and its mesh, its faces in TopExp.MapShapes order; ``kept`` has mean normals of faces."""

    solid: Any
    mesh: ViewMesh
    kept: dict[int, Array] = field(default_factory=dict, repr=False)

    @cached_property
    def corners(self) -> Array:
        """Of its facets (m, 3, 3)."""
        return np.asarray(self.mesh.positions[self.mesh.triangles])


@dataclass(frozen=True, eq=False)
class HiddenLineView:
    """``axes`` (3, 3) has rows to the right, up and towards the eye; the view's 0 is the model's."""

    bodies: tuple[Body, ...]
    axes: Array
    strokes: tuple[Stroke, ...]

    def flat(self, points: Array) -> Array:
        """Model points (..., 3) in the view (..., 2)."""
        return np.asarray(points @ self.axes[:2].T)

    @cached_property
    def box(self) -> Array:
        """Low and high (2, 2) of all that is drawn."""
        points = np.vstack([self.flat(b.mesh.positions) for b in self.bodies])
        return np.array([points.min(axis=0), points.max(axis=0)])

    @cached_property
    def cells(self) -> tuple[Cell, ...]:
        """The regions between the lines that are seen, each with its face."""
        lines = [_carried_on(s.points) for s in self.strokes if not s.hidden]
        net = shapely.union_all([shapely.linestrings(line) for line in lines], grid_size=_GRID_MM)
        regions = shapely.get_parts(shapely.polygonize(shapely.get_parts(net)))
        regions = regions[shapely.area(regions) > _CELL_MM2]
        if not len(regions):
            return ()
        inside = shapely.get_coordinates(shapely.point_on_surface(regions))
        body, face = first_met(self.bodies, self.axes, inside)
        return tuple(Cell(r, int(b), int(f)) for r, b, f in zip(regions, body, face, strict=True))


def _carried_on(points: Array) -> Array:
    """An open line made a little longer at both ends."""
    if np.linalg.norm(points[0] - points[-1]) < _GRID_MM:
        return points
    first, last = points[0] - points[1], points[-1] - points[-2]
    ends = [
        p + _OVER_MM * d / max(float(np.linalg.norm(d)), 1e-12)
        for p, d in ((points[0], first), (points[-1], last))
    ]
    return np.vstack([ends[0], points[1:-1], ends[1]])


def look(bodies: Sequence[Body], axes: Array, *, hidden: bool = False) -> HiddenLineView:
    """What is seen along the third row of ``axes`` (3, 3); with ``hidden`` the lines behind it too.

    What the kernel takes for this grows with the square of the faces: 6 ms for 45 of them, 1.5 s for 1000.
    """
    algorithm = HLRBRep_Algo()
    for body in bodies:
        algorithm.Add(body.solid, 0)
    place = gp_Ax2(gp_Pnt(0, 0, 0), gp_Dir(*map(float, axes[2])), gp_Dir(*map(float, axes[0])))
    algorithm.Projector(HLRAlgo_Projector(place))
    algorithm.Update()
    algorithm.Hide()
    found = HLRBRep_HLRToShape(algorithm)
    strokes: list[Stroke] = []
    for n, body in enumerate(bodies):
        seen = (
            (EDGES, found.VCompound),
            (SMOOTH, found.Rg1LineVCompound),
            (OUTLINE, found.OutLineVCompound),
        )
        for kind, of in seen:
            strokes += _strokes(of(body.solid), kind, n, hidden=False)
        if hidden:
            for kind, of in ((EDGES, found.HCompound), (OUTLINE, found.OutLineHCompound)):
                strokes += _strokes(of(body.solid), kind, n, hidden=True)
    return HiddenLineView(tuple(bodies), axes, tuple(strokes))


def _strokes(compound: Any, kind: str, body: int, *, hidden: bool) -> Iterator[Stroke]:
    if compound is None or compound.IsNull():
        return
    BRepLib.BuildCurves3d_s(compound)
    for shape in each(compound, EDGE):
        curve = BRepAdaptor_Curve(TopoDS.Edge_s(shape))
        first, last = curve.FirstParameter(), curve.LastParameter()
        if curve.GetType() == GeomAbs_CurveType.GeomAbs_Line:
            points = np.array([_xy(curve.Value(t)) for t in (first, last)])
            if np.linalg.norm(points[1] - points[0]) > _GRID_MM:
                yield Stroke(points, kind, body, hidden)
            continue
        arc = _arc(curve, first, last) if curve.GetType() == GeomAbs_CurveType.GeomAbs_Circle else None
        walk = GCPnts_TangentialDeflection(curve, first, last, _TURN, _CHORD_MM)
        points = np.array([_xy(walk.Value(k + 1)) for k in range(walk.NbPoints())])
        if len(points) > 1:
            yield Stroke(points, kind, body, hidden, arc)


def _xy(point: Any) -> tuple[float, float]:
    return point.X(), point.Y()


def _arc(curve: Any, first: float, last: float) -> Arc | None:
    """A circle that lies in the view."""
    circle = curve.Circle()
    if abs(abs(circle.Axis().Direction().Z()) - 1) > 1e-9:
        return None
    centre = np.array(_xy(circle.Location()))
    start, middle, end = (np.array(_xy(curve.Value(t))) - centre for t in (first, (first + last) / 2, last))
    a, b, c = (float(np.arctan2(p[1], p[0])) for p in (start, middle, end))
    turn = last - first
    if (b - a) % (2 * np.pi) > turn / 2 + 1e-6:  # runs with the clock
        a = c
    return Arc(centre, float(circle.Radius()), a, a + turn)


def first_met(
    bodies: Sequence[Body], axes: Array, points: Array
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The body, and its face, that a line of sight through each point (n, 2) meets first; -1 for none."""
    corners = np.vstack([b.corners for b in bodies]) @ axes.T
    owner = np.concatenate([np.full(len(b.mesh.triangles), n) for n, b in enumerate(bodies)])
    faces = np.concatenate([b.mesh.face_of_triangle for b in bodies])
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    turn = _cross(b - a, c - a)
    front = np.flatnonzero(turn > 1e-12)
    a, b, c, turn, owner, faces = a[front], b[front], c[front], turn[front], owner[front], faces[front]
    best = np.full(len(points), -1, np.int64)
    step = max(1, _CHUNK // max(1, len(a)))
    for start in range(0, len(points), step):
        p = points[start : start + step, None]
        u, v = (_cross(two - one, p - one[:, :2]) for one, two in ((b, c), (c, a)))
        u, v = u / turn, v / turn
        w = 1 - u - v
        depth = u * a[:, 2] + v * b[:, 2] + w * c[:, 2]
        depth[(u < -1e-9) | (v < -1e-9) | (w < -1e-9)] = -np.inf
        nearest = np.argmax(depth, axis=1) if len(a) else np.zeros(len(p), np.int64)
        found = np.isfinite(depth[np.arange(len(p)), nearest]) if len(a) else np.zeros(len(p), bool)
        best[start : start + step] = np.where(found, nearest, -1)
    met = best >= 0
    return np.where(met, owner[best], -1), np.where(met, faces[best], -1)


def _cross(one: Array, other: Array) -> Array:
    return np.asarray(one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0])

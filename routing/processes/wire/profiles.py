"""The outlines that a wire follows: sections of a feature's walls across the wire, exact from the B-rep.

Walls of planes, cylinders and cones give lines and arcs whose ends and centres move in a straight line with
the height. Two sections inside the walls therefore give the outline at any height, also where another
cut has taken the walls' rim away; a third section checks it. Other ruled walls are cut at their own ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve
from OCP.BRepAlgoAPI import BRepAlgoAPI_Section
from OCP.GeomAbs import GeomAbs_CurveType as CurveType
from OCP.gp import gp_Dir, gp_Pln, gp_Pnt
from OCP.TopAbs import TopAbs_ShapeEnum
from OCP.TopExp import TopExp
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_IndexedMapOfShape
from scipy.spatial import cKDTree

from featurize import tolerances as tol
from featurize.brep.part import Face, Part
from featurize.brep.shadow import View
from featurize.brep.surfaces import Array
from featurize.brep.surfaces_at import normals_at
from routing.processes.wire.outline import ARC_FIT_MM, Outline, Piece, as_arcs, bulge_through, joined

# Where the walls are cut, as shares of their height: first these two, then ever further in.
_INWARDS = ((0.02, 0.98), (0.1, 0.9), (0.25, 0.75), (0.4, 0.6))
_CHECKED_AT = 0.37
# Outlines that agree this closely at the height checked are ruled as supposed: the kernel's own precision.
_RULED_MM = 1e-5
# Faces that overlap by more than this share of the lower one's height stand beside each other.
_BESIDE = 0.5
# Facets of a kernel's face that are asked whose they are.
_ASKED = 5


@dataclass(frozen=True, eq=False)
class Ruled:
    """One ring or chain of walls between two heights (mm along the view from its origin).

    ``deviation_mm`` bounds how far the outlines stray from the part: 0 where they are exact.
    """

    low_mm: float
    high_mm: float
    bottom: Outline
    top: Outline
    deviation_mm: float

    @property
    def straight(self) -> bool:
        return self.bottom is self.top

    @property
    def closed(self) -> bool:
        return self.top.closed

    def at(self, height_mm: float) -> Outline:
        """The outline at any height: ends and centres move in straight lines.

        Raises ValueError where top and bottom are not made of the same pieces.
        """
        if self.straight:
            return self.top
        found = _between(self.bottom, self.top, (height_mm - self.low_mm) / (self.high_mm - self.low_mm))
        if found is None:
            raise ValueError("top and bottom of the walls are not made of the same pieces")
        return found


@dataclass(frozen=True, eq=False)
class Cut:
    """Walls that one wire path makes, highest first: a land and its relief, or one of them.

    ``opening`` tells a closed cut with the part outside from one with the part inside.
    """

    walls: tuple[Ruled, ...]

    @property
    def closed(self) -> bool:
        return all(w.closed for w in self.walls)

    @property
    def opening(self) -> bool:
        return self.closed and self.walls[0].top.area_mm2 > 0

    @property
    def outlines(self) -> tuple[Outline, ...]:
        """Every outline once, highest first."""
        return tuple(o for w in self.walls for o in ((w.top,) if w.straight else (w.top, w.bottom)))


def wire_view(part: Part, along: Array) -> View:
    """The plane across the wire: x and y of the part's frame along its z, else the next two axes in turn.

    Seen from the side that ``along`` or its opposite points to, whichever is a positive axis of the frame.
    """
    local = part.frame.axes @ along
    k = int(np.argmax(np.abs(local)))
    direction = along if local[k] > 0 else -along
    return View.toward(part.frame.origin, direction, part.frame.axes[(k + 2) % 3])


def cuts(part: Part, faces: Sequence[int], view: View) -> tuple[Cut, ...]:
    """The cuts that make these walls; faces that lie across the wire are passed over."""
    walls = [part.faces[f] for f in faces if float(np.mean(np.abs(part.faces[f].normals @ view.along))) < 0.7]
    storeys = [_storey(part, group, view) for group in _storeys(part, walls, view)]
    found: list[list[Ruled]] = []
    # Rings first: what is left of a ring elsewhere, where another cut has opened it, lies on their path.
    for wall in sorted((w for s in storeys for w in s), key=lambda w: (not w.closed, -w.high_mm)):
        same = next(((c, k) for c in found for k, known in enumerate(c) if _one_path(known, wall)), None)
        if same is not None:
            made, k = same
            made[k] = _together(made[k], wall)
        elif (mine := next((c for c in found if _stacked(c[-1], wall)), None)) is not None:
            mine.append(wall)
        else:
            found.append([wall])
    return tuple(Cut(tuple(c)) for c in found)


def _one_path(known: Ruled, wall: Ruled) -> bool:
    """Whether a straight wall lies on the path of another: a crossing cut has parted them."""
    if not (known.straight and wall.straight):
        return False
    places = [wall.top.place(k, share)[0] for k in range(len(wall.top.bulges)) for share in (0.0, 0.5, 1.0)]
    return all(known.top.distance_mm(p) < tol.LENGTH_MM for p in places)


def _together(known: Ruled, wall: Ruled) -> Ruled:
    low, high = min(known.low_mm, wall.low_mm), max(known.high_mm, wall.high_mm)
    return Ruled(low, high, known.top, known.top, max(known.deviation_mm, wall.deviation_mm))


def _stacked(above: Ruled, below: Ruled) -> bool:
    if not (above.closed and below.closed) or below.high_mm > above.low_mm + tol.SURFACE_MM:
        return False
    if above.bottom.area_mm2 * below.top.area_mm2 < 0:
        return False
    return bool(above.bottom.polygon(tol.SURFACE_MM).intersects(below.top.polygon(tol.SURFACE_MM)))


def _storeys(part: Part, walls: Sequence[Face], view: View) -> list[list[Face]]:
    """Walls that stand beside each other."""
    spans = {f.id: _span(part, f, view) for f in walls}
    groups: list[list[Face]] = []
    for face in walls:
        beside = [g for g in groups if any(_beside(spans[face.id], spans[o.id]) for o in g)]
        groups = [g for g in groups if g not in beside] + [[*(o for g in beside for o in g), face]]
    return groups


def _beside(a: tuple[float, float], b: tuple[float, float]) -> bool:
    return min(a[1], b[1]) - max(a[0], b[0]) > _BESIDE * min(a[1] - a[0], b[1] - b[0])


def _span(part: Part, face: Face, view: View) -> tuple[float, float]:
    mesh = part.mesh
    used = mesh.vertices[mesh.corners([face.id])]
    heights = ((used if len(used) else face.points) - view.origin) @ view.along
    return float(heights.min()), float(heights.max())


def _storey(part: Part, walls: Sequence[Face], view: View) -> list[Ruled]:
    spans = [_span(part, f, view) for f in walls]
    low, high = min(s[0] for s in spans), max(s[1] for s in spans)
    lean = max(float(np.abs(f.normals @ view.along).max()) for f in walls)

    def cut(share: float) -> list[Outline]:
        return section(part, walls, view, low + share * (high - low))

    if lean < np.sin(np.radians(tol.CONE_MIN_DEG)):
        shares = (0.5, *(s for pair in reversed(_INWARDS) for s in pair))
        found = _first_whole([(s,) for s in shares], cut)
        if found is None:
            return []
        stray = _stray(walls)
        return [Ruled(low, high, o, o, stray) for o in found[1][0]]
    found = _first_whole(_INWARDS, cut)
    if found is None:
        return []
    shares, (bottom, top) = found
    if len(bottom) != len(top):
        return []
    heights = [low + s * (high - low) for s in shares]
    middle = cut(_CHECKED_AT)
    walled = []
    for a, b in _paired(bottom, top):
        t = (low + _CHECKED_AT * (high - low) - heights[0]) / (heights[1] - heights[0])
        expected = _between(a, b, t)
        ends = [_between(a, b, (h - heights[0]) / (heights[1] - heights[0])) for h in (low, high)]
        if expected is not None and None not in ends and any(_same(expected, m) for m in middle):
            assert ends[0] is not None
            assert ends[1] is not None
            walled.append(Ruled(low, high, ends[0], ends[1], 0.0))
        else:
            walled.append(Ruled(heights[0], heights[1], a, b, ARC_FIT_MM))
    return walled


def _stray(walls: Sequence[Face]) -> float:
    return 0.0 if all(normals_at(f.surface, f.points[:1]) is not None for f in walls) else ARC_FIT_MM


def _first_whole(
    shares: Sequence[tuple[float, ...]], cut: Any
) -> tuple[tuple[float, ...], list[list[Outline]]] | None:
    """The first heights where every outline closes, else those with the longest outlines."""
    best: tuple[float, tuple[float, ...], list[list[Outline]]] | None = None
    for tried in shares:
        found = [cut(s) for s in tried]
        if not all(found):
            continue
        if all(o.closed for outlines in found for o in outlines):
            return tried, found
        length = sum(float(o.lengths.sum()) for outlines in found for o in outlines)
        if best is None or length > best[0] + tol.SURFACE_MM:
            best = length, tried, found
    return None if best is None else best[1:]


def _paired(bottom: list[Outline], top: list[Outline]) -> list[tuple[Outline, Outline]]:
    """Each outline with the one of the other height over the same faces, begun at the same face."""
    left = list(top)
    found = []
    for a in bottom:
        b = max(left, key=lambda o: len(set(o.faces) & set(a.faces)))
        left.remove(b)
        if a.closed and b.closed and len(a.faces) == len(b.faces):
            turns = [b.begun_at(k) for k in range(len(b.faces))]
            same = [o for o in turns if o.faces == a.faces]
            # Among equal orders (one face all round) the corners must lie nearest.
            b = min(same, key=lambda o: float(np.sum((o.points - a.points) ** 2)), default=b)
        found.append((a, b))
    return found


def _between(a: Outline, b: Outline, t: float) -> Outline | None:
    """The outline at share t from a to b; None when they are not made of the same pieces."""
    if a.faces != b.faces or a.closed != b.closed or np.any(np.sign(a.bulges) != np.sign(b.bulges)):
        return None
    points = (1 - t) * a.points + t * b.points
    bulges = np.zeros(len(a.bulges))
    o = a.but(points, bulges)
    for k in np.flatnonzero(a.bulges):
        centre = (1 - t) * a.centres[k] + t * b.centres[k]
        arm, end = o.starts[k] - centre, o.ends[k] - centre
        if abs(float(np.linalg.norm(arm) - np.linalg.norm(end))) > _RULED_MM:
            return None
        turn = np.arctan2(arm[0] * end[1] - arm[1] * end[0], float(arm @ end))
        sign = np.sign(a.bulges[k])
        bulges[k] = sign * np.tan((turn * sign % (2 * np.pi)) / 4)
    return o


def _same(a: Outline, b: Outline) -> bool:
    if len(a.points) != len(b.points):
        return False
    gaps = np.linalg.norm(a.points[:, None] - b.points[None], axis=2).min(axis=1)
    return bool(gaps.max() < _RULED_MM) and abs(a.area_mm2 - b.area_mm2) <= _RULED_MM * float(a.lengths.sum())


def section(part: Part, walls: Sequence[Face], view: View, height_mm: float) -> list[Outline]:
    """The outlines of some walls at a height along the view, material to the right of the travel."""
    plane = gp_Pln(gp_Pnt(*view.solid(np.zeros(2), height_mm)), gp_Dir(*view.along))
    kernel = _kernel_faces(part)
    pieces: list[Piece] = []
    for wall in walls:
        for face in kernel[wall.id]:
            operation = BRepAlgoAPI_Section(face, plane, False)
            operation.Approximation(False)
            operation.Build()
            for edge in _each(operation.Shape(), TopAbs_ShapeEnum.TopAbs_EDGE):
                pieces += _pieces(TopoDS.Edge_s(edge), wall, view)
    return joined(pieces) if pieces else []


def _pieces(edge: Any, wall: Face, view: View) -> list[Piece]:
    curve = BRepAdaptor_Curve(edge)
    first, last = curve.FirstParameter(), curve.LastParameter()

    def solid(share: float) -> Array:
        p = curve.Value(first + share * (last - first))
        return np.array([p.X(), p.Y(), p.Z()])

    def at(share: float) -> Array:
        return view.flat(solid(share))

    a, m, b = at(0.0), at(0.5), at(1.0)
    if float(np.linalg.norm(b - a) + np.linalg.norm(m - a)) < tol.LENGTH_MM / 10:
        return []
    kind = curve.GetType()
    if kind == CurveType.GeomAbs_Line:
        found = [Piece(a, b, 0.0, wall.id)]
    elif kind == CurveType.GeomAbs_Circle:
        halves = ((0.0, 0.5, 1.0),) if last - first <= np.pi + 1e-9 else ((0.0, 0.25, 0.5), (0.5, 0.75, 1.0))
        found = [
            Piece(p, r, bulge_through(p, q, r), wall.id)
            for p, q, r in ([at(s) for s in half] for half in halves)
        ]
    else:
        found = [
            p
            for i, j in ((0.0, 0.5), (0.5, 1.0))
            for p in as_arcs(lambda t, i=i, j=j: at(i + t * (j - i)), wall.id)  # type: ignore[misc]
        ]
    # Material to the right: the outward normal points left of the travel.
    spot, travel = solid(0.5 + 1e-3), at(0.5 + 2e-3) - at(0.5)
    outward = view.flat(view.origin + _normal(wall, spot))
    if travel[0] * outward[1] - travel[1] * outward[0] < 0:
        found = [Piece(p.end, p.start, -p.bulge, p.face) for p in reversed(found)]
    return found


def _normal(wall: Face, point: Array) -> Array:
    exact = normals_at(wall.surface, point[None])
    if exact is not None:
        return np.asarray(exact[0])
    nearest = int(np.argmin(np.linalg.norm(wall.points - point, axis=1)))
    return np.asarray(wall.normals[nearest])


@lru_cache(maxsize=2)
def _kernel_faces(part: Part) -> dict[int, list[Any]]:
    """The kernel's faces of each logical face: their facets are the mesh's."""
    mesh = part.mesh
    tree = cKDTree(mesh.vertices[mesh.triangles].mean(axis=1))
    found: dict[int, list[Any]] = {f.id: [] for f in part.faces}
    for shape in _each(part.solid, TopAbs_ShapeEnum.TopAbs_FACE):
        face, place = TopoDS.Face_s(shape), TopLoc_Location()
        poly = BRep_Tool.Triangulation_s(face, place)
        if poly is None or not poly.NbTriangles():
            continue
        move = place.Transformation()
        count = poly.NbTriangles()
        # They are the mesh's own: a few tell whose.
        some = sorted({1 + k * (count - 1) // (_ASKED - 1) for k in range(_ASKED)})
        nodes = [[poly.Node(n).Transformed(move) for n in poly.Triangle(k).Get()] for k in some]
        corners = np.array([[(p.X(), p.Y(), p.Z()) for p in three] for three in nodes])
        owners = mesh.face_ids[tree.query(corners.mean(axis=1))[1]]
        found[int(np.argmax(np.bincount(owners)))].append(face)
    return found


def _each(shape: Any, kind: Any) -> list[Any]:
    found = TopTools_IndexedMapOfShape()
    TopExp.MapShapes_s(shape, kind, found)
    return [found(i + 1) for i in range(found.Extent())]

"""What a person measures on a part: between two faces or edges, on the exact geometry and not on facets."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from OCP.BOPTools import BOPTools_AlgoTools3D
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepClass3d import BRepClass3d_SolidClassifier
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.BRepGProp import BRepGProp
from OCP.GeomAbs import GeomAbs_CurveType
from OCP.gp import gp_Pnt, gp_Pnt2d
from OCP.GProp import GProp_GProps
from OCP.IntTools import IntTools_Context
from OCP.TopAbs import TopAbs_State
from OCP.TopoDS import TopoDS

from featurize import tolerances as tol
from featurize.brep.elementary import CONE, CYLINDER, PLANE, SPHERE, TORUS, placement
from featurize.brep.shapes import EDGE, FACE, mapped
from featurize.brep.solids import area_of
from featurize.brep.surfaces import Array

_SURFACES = {PLANE: "plane", CYLINDER: "cylinder", CONE: "cone", SPHERE: "sphere", TORUS: "torus"}
_CURVES = {GeomAbs_CurveType.GeomAbs_Line: "line", GeomAbs_CurveType.GeomAbs_Circle: "circle"}
# How far a line is moved off a side of the part that it runs along: past the kernel's tolerance, then more.
_SLIDES_MM = (0.05, 1.0)
# Directions nearer to each other than this are parallel.
_PARALLEL_DEG = 0.01


class MeasureError(ValueError):
    """There is no such face or edge."""


@dataclass(frozen=True)
class Measure:
    """Of one thing its kind, radius, area or length; of two also what lies between them.

    ``distance_mm`` is the least between the two as they are bounded, from and to the points ``between``;
    ``across_mm`` that of parallel planes, axes and lines however far they reach: of two bores, of their axes.
    ``through`` is "wall" where the least distance leads through material, "gap" where it leads through air.
    ``exact``: all are planes, lines and round ones; else the kernel found it by approximation.
    """

    kinds: tuple[str, ...]
    radii_mm: tuple[float | None, ...]
    exact: bool
    area_mm2: float | None = None
    length_mm: float | None = None
    distance_mm: float | None = None
    across_mm: float | None = None
    angle_deg: float | None = None
    through: str = ""
    between: tuple[tuple[float, ...], ...] = ()


@dataclass(frozen=True, eq=False)
class _Thing:
    """``way`` is the direction of a line or an axis, or, where it is ``flat``, a plane's normal."""

    shape: Any
    kind: str
    radius_mm: float | None
    at: Array | None = None
    way: Array | None = None
    flat: bool = False


def measured(
    solid: Any, source_faces: Sequence[int] | None, first: str, second: str | None = None
) -> Measure:
    """Of one or two things: ``f7`` is the face with that number as read, ``e12`` the edge at that place.

    Raises MeasureError.
    """
    a = _thing(solid, source_faces, first)
    if second is None:
        if first.startswith("f"):
            return Measure((a.kind,), (a.radius_mm,), _is_exact(a), area_mm2=area_of(a.shape))
        properties = GProp_GProps()
        BRepGProp.LinearProperties_s(a.shape, properties)
        return Measure((a.kind,), (a.radius_mm,), _is_exact(a), length_mm=properties.Mass())
    b = _thing(solid, source_faces, second)
    found = BRepExtrema_DistShapeShape(a.shape, b.shape)
    if not found.IsDone() or found.NbSolution() < 1:
        raise MeasureError("the kernel finds no distance between these two")
    ends = [np.array([p.X(), p.Y(), p.Z()]) for p in (found.PointOnShape1(1), found.PointOnShape2(1))]
    angle = _angle_deg(a, b)
    return Measure(
        (a.kind, b.kind),
        (a.radius_mm, b.radius_mm),
        _is_exact(a) and _is_exact(b),
        distance_mm=found.Value(),
        across_mm=_across_mm(a, b, angle),
        angle_deg=angle,
        through=_through(solid, a, b, found),
        between=tuple(tuple(map(float, p)) for p in ends),
    )


def _is_exact(thing: _Thing) -> bool:
    return thing.kind not in ("freeform", "curve")


def _thing(solid: Any, source_faces: Sequence[int] | None, name: str) -> _Thing:
    number = int(name[1:]) if name[1:].isascii() and name[1:].isdecimal() and len(name) < 9 else -1
    if name.startswith("f"):
        place = number if source_faces is None else _index(source_faces, number)
        faces = mapped(solid, FACE)
        if 0 <= place < faces.Extent():
            return _face(TopoDS.Face_s(faces(place + 1)))
    elif name.startswith("e"):
        edges = mapped(solid, EDGE)
        if 0 <= number < edges.Extent() and not BRep_Tool.Degenerated_s(TopoDS.Edge_s(edges(number + 1))):
            return _edge(TopoDS.Edge_s(edges(number + 1)))
    raise MeasureError(f"the part has no {name}: name a face as f7, an edge as e12")


def _index(source_faces: Sequence[int], number: int) -> int:
    return list(source_faces).index(number) if number in source_faces else -1


def _face(face: Any) -> _Thing:
    surface = BRepAdaptor_Surface(face)
    kind = surface.GetType()
    if kind not in _SURFACES:
        return _Thing(face, "freeform", None)
    placed = placement(surface)
    at, axis, sizes = placed[:3], placed[9:12], placed[12:]
    radius = {CYLINDER: sizes[0], SPHERE: sizes[0], TORUS: sizes[1]}.get(kind)
    thing = _Thing(face, _SURFACES[kind], None if radius is None else float(radius))
    return thing if kind == SPHERE else replace(thing, at=at, way=axis, flat=kind == PLANE)


def _edge(edge: Any) -> _Thing:
    curve = BRepAdaptor_Curve(edge)
    kind = _CURVES.get(curve.GetType(), "curve")
    if kind == "line":
        line = curve.Line()
        return _Thing(edge, kind, None, _vector(line.Location()), _vector(line.Direction()))
    if kind == "circle":
        axis = curve.Circle().Axis()
        return _Thing(
            edge, kind, curve.Circle().Radius(), _vector(axis.Location()), _vector(axis.Direction())
        )
    return _Thing(edge, kind, None)


def _vector(place: Any) -> Array:
    return np.array(place.Coord())


def _angle_deg(a: _Thing, b: _Thing) -> float | None:
    """Between two planes, two axes or lines, or one of each: from 0 to 90."""
    if a.way is None or b.way is None:
        return None
    between = np.degrees(np.arctan2(np.linalg.norm(np.cross(a.way, b.way)), abs(a.way @ b.way)))
    return float(between if a.flat == b.flat else 90.0 - between)


def _across_mm(a: _Thing, b: _Thing, angle_deg: float | None) -> float | None:
    if angle_deg is None or angle_deg > _PARALLEL_DEG or a.at is None or b.at is None:
        return None
    assert a.way is not None
    assert b.way is not None
    if a.flat or b.flat:
        return float(abs((b.at - a.at) @ (a.way if a.flat else b.way)))
    return float(np.linalg.norm(np.cross(b.at - a.at, a.way)))


def _through(solid: Any, a: _Thing, b: _Thing, found: Any) -> str:
    """What the least distance leads through; where it runs along a side of the part, within the faces."""
    least = found.Value()
    if least < tol.LENGTH_MM:
        return ""
    ends = [
        (_vector(found.PointOnShape1(n)), _vector(found.PointOnShape2(n)))
        for n in range(1, found.NbSolution() + 1)
    ]
    for start, end in (*ends, *_from_within(a, b, least), *_slid(a, b, *ends[0])):
        middle = (start + end) / 2
        state = BRepClass3d_SolidClassifier(solid, gp_Pnt(*middle.tolist()), tol.LENGTH_MM).State()
        if state != TopAbs_State.TopAbs_ON:
            return "wall" if state == TopAbs_State.TopAbs_IN else "gap"
    return ""


def _from_within(a: _Thing, b: _Thing, least_mm: float) -> Iterator[tuple[Array, Array]]:
    """Straight across from a point inside each face, where that is no longer."""
    for one, other in ((a, b), (b, a)):
        point = gp_Pnt()
        if one.shape.ShapeType() != FACE or BOPTools_AlgoTools3D.PointInFace_s(
            one.shape, point, gp_Pnt2d(), IntTools_Context()
        ):
            continue
        across = _away(point, other)
        if across.IsDone() and across.Value() < least_mm + tol.SURFACE_MM:
            yield _vector(point), _vector(across.PointOnShape2(1))


def _slid(a: _Thing, b: _Thing, start: Array, end: Array) -> Iterator[tuple[Array, Array]]:
    """The line moved across itself, while its ends stay on both."""
    along = (end - start) / np.linalg.norm(end - start)
    for way in (w for w in (a.way, b.way) if w is not None):
        for side in (way - (way @ along) * along, np.cross(way, along)):
            if np.linalg.norm(side) < tol.LENGTH_MM:
                continue
            for step in (*_SLIDES_MM, *(-s for s in _SLIDES_MM)):
                moved = [p + step * side / np.linalg.norm(side) for p in (start, end)]
                spots = [gp_Pnt(*p.tolist()) for p in moved]
                if all(_away(p, t).Value() < tol.SURFACE_MM for p, t in zip(spots, (a, b), strict=True)):
                    yield moved[0], moved[1]


def _away(point: Any, thing: _Thing) -> Any:
    return BRepExtrema_DistShapeShape(BRepBuilderAPI_MakeVertex(point).Vertex(), thing.shape)

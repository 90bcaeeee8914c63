"""A solid less the gap everywhere: what stays is every point of it that is at least the gap from its skin.

Upright walls over one flat bottom are offset in the plane, exactly, with arcs, and rounds at their foot made
anew with what the gap leaves of their radius; a convex cavity is bounded by its own surfaces, moved in; all
else is the kernel's 3-D offset.
At an edge where the part stands out into the void the electrode's hollow edge is round about it, so that the
clearance is the gap there too; where the cavity has an inside corner the electrode's edge is sharp.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_Transform
from OCP.BRepClass import BRepClass_FaceClassifier
from OCP.BRepFilletAPI import BRepFilletAPI_MakeFillet
from OCP.BRepGProp import BRepGProp
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakeOffset
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCone,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakePrism,
    BRepPrimAPI_MakeSphere,
)
from OCP.GeomAbs import GeomAbs_JoinType, GeomAbs_SurfaceType
from OCP.gp import gp_Ax2, gp_Dir, gp_Pln, gp_Pnt, gp_Trsf, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_ShapeEnum, TopAbs_State
from OCP.TopoDS import TopoDS

from featurize.brep.part import Convexity
from featurize.brep.shapes import each
from featurize.brep.solids import KernelError, cut, solids_of
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Sphere
from routing.processes.sink_erode.cavity import Cavity, distance_mm, drawn_out, outward, raised, vertex
from routing.processes.sink_erode.space import offset_in_space, round_mm

_UPRIGHT_SINE = 1e-7
# An edge of the sharp form is blended where the cavity's own round lies this near, in radii of it: the
# form's corner stands at most sqrt(2) - 1 radii and a gap from it, other edges much further.
_BESIDE_ROUND = 1.5


class FilledError(KernelError):
    """The gap leaves nothing of the cavity."""


def in_plane(cavity: Cavity, pieces: Sequence[Any], gap_mm: float, overrun_mm: float) -> list[Any] | None:  # noqa: ARG001
    """Upright walls over one flat bottom: the outline offset exactly, with arcs. None for other shapes."""
    up = cavity.view.along
    bottoms = [_prismatic(piece, up) for piece in pieces]
    if any(b is None for b in bottoms):
        return None
    form: list[Any] = []
    for piece, bottom in zip(pieces, bottoms, strict=True):
        left = _in_plane(piece, bottom, gap_mm, up)
        if not left:
            raise FilledError(f"the cavity is not wider than twice the {gap_mm:g} gap")
        form += left
    return form


def over_foot(cavity: Cavity, pieces: Sequence[Any], gap_mm: float, overrun_mm: float) -> list[Any] | None:  # noqa: ARG001
    """Upright walls with rounds at their foot over one flat bottom: each loses the gap of its radius.

    None for other shapes. A ball that rolls along the foot of the walls moved in touches them and the floor
    moved in where the larger ball touches the cavity: rounds of rolled balls keep their centres.
    """
    up = cavity.view.along
    form: list[Any] = []
    for piece in pieces:
        found = _footed(piece, up)
        if found is None:
            return None
        sharp, rounds = found
        bottom = _prismatic(sharp, up)
        if bottom is None:
            return None
        left = _in_plane(sharp, bottom, gap_mm, up)
        if not left:
            raise FilledError(f"the cavity is not wider than twice the {gap_mm:g} gap")
        form += [_blended(body, rounds, gap_mm) for body in left]
    return form


def by_faces(cavity: Cavity, pieces: Sequence[Any], gap_mm: float, overrun_mm: float) -> list[Any] | None:
    """A convex cavity of planes, cylinders, cones and balls: what is inside of all of them, moved in.

    None where a face is of another kind or stands out into the void, as a keyway's corner in a bore does.
    """
    del pieces
    own = set(cavity.feature.faces)
    edges = (e for i in own for e in cavity.part.edges_of(i) if own.issuperset(e.faces))
    if any(e.convexity == Convexity.CONVEX for e in edges):
        return None
    bounds = []
    for i in cavity.feature.faces:
        surface = cavity.part.faces[i].surface
        if not isinstance(surface, Plane | Cylinder | Cone | Sphere):
            return None
        if not isinstance(surface, Plane) and not surface.hollow:
            return None
        if isinstance(surface, Cylinder | Sphere) and surface.radius_mm <= gap_mm:
            continue  # the gap swallows it: its neighbours meet in an edge
        bounds.append(_inside(surface, gap_mm, _reach_mm(cavity, surface)))
    form: list[Any] = []
    for piece in drawn_out(cavity, overrun_mm, cavity.mouth_mm - cavity.top_mm):
        body = piece
        for bound in bounds:
            operation = BRepAlgoAPI_Common(body, bound)
            if not operation.IsDone():
                raise KernelError("the kernel could not take the gap off the cavity")
            body = operation.Shape()
        form += solids_of(body)
    if not form:
        raise FilledError(f"the cavity is not wider than twice the {gap_mm:g} gap")
    return [raised(cavity, body, overrun_mm) for body in form]


def in_space(cavity: Cavity, pieces: Sequence[Any], gap_mm: float, overrun_mm: float) -> list[Any] | None:  # noqa: ARG001
    """Any cavity: the kernel's 3-D offset, in a process of its own, which may crash."""
    return [body for piece in pieces for body in offset_in_space(piece, gap_mm)]


# Each gives the solids of the form, or None where it does not apply; its result is still to be proven.
METHODS = {"plane": in_plane, "foot": over_foot, "faces": by_faces, "space": in_space}


def _inside(surface: Plane | Cylinder | Cone | Sphere, gap_mm: float, size_mm: float) -> Any:
    """The solid on the void's side of a surface moved into the void by the gap, as large as it must be."""
    if isinstance(surface, Plane):
        n = surface.normal / np.linalg.norm(surface.normal)
        axes = gp_Ax2(_pnt(surface.origin + gap_mm * n), gp_Dir(*n))
        x, y = (np.array([d.X(), d.Y(), d.Z()]) for d in (axes.XDirection(), axes.YDirection()))
        axes.SetLocation(_pnt(surface.origin + gap_mm * n - size_mm / 2 * (x + y)))
        return BRepPrimAPI_MakeBox(axes, size_mm, size_mm, size_mm).Solid()
    if isinstance(surface, Sphere):
        return BRepPrimAPI_MakeSphere(_pnt(surface.centre), surface.radius_mm - gap_mm).Solid()
    if isinstance(surface, Cylinder):
        axes = gp_Ax2(_pnt(surface.origin - size_mm / 2 * surface.axis), gp_Dir(*surface.axis))
        return BRepPrimAPI_MakeCylinder(axes, surface.radius_mm - gap_mm, size_mm).Solid()
    half = np.radians(surface.half_angle_deg)
    # Moved in square to its wall, a cone is the same cone further along its axis.
    axes = gp_Ax2(_pnt(surface.apex + gap_mm / np.sin(half) * surface.axis), gp_Dir(*surface.axis))
    return BRepPrimAPI_MakeCone(axes, 0.0, size_mm * np.tan(half), size_mm).Solid()


def _reach_mm(cavity: Cavity, surface: Plane | Cylinder | Cone | Sphere) -> float:
    """A length that covers the part and all that is drawn out of it, seen from the surface's own place."""
    match surface:
        case Sphere():
            at = surface.centre
        case Cone():
            at = surface.apex
        case _:
            at = surface.origin
    part = cavity.part
    middle = part.frame.world((part.low + part.high) / 2)
    return 2 * float(np.linalg.norm(middle - at)) + 4 * float(np.linalg.norm(part.high - part.low))


def _pnt(point: Array) -> Any:
    return gp_Pnt(*(float(c) for c in point))


def _prismatic(solid: Any, up: Array) -> Any | None:
    """The bottom face of a solid with upright walls, one flat bottom and one flat top; else None."""
    level: list[Any] = []
    tops: list[Any] = []
    for face in each(solid, TopAbs_ShapeEnum.TopAbs_FACE):
        flat = outward(face)
        if flat is not None and abs(float(flat[1] @ up)) > 1 - 1e-12:
            (tops if float(flat[1] @ up) > 0 else level).append(face)
        elif not _is_upright(face, flat, up):
            return None
    return level[0] if len(level) == 1 and len(tops) == 1 else None


def _is_upright(face: Any, flat: tuple[Array, Array] | None, up: Array) -> bool:
    if flat is not None:
        return abs(float(flat[1] @ up)) < _UPRIGHT_SINE
    surface = BRepAdaptor_Surface(TopoDS.Face_s(face))
    kind = surface.GetType()
    if kind == GeomAbs_SurfaceType.GeomAbs_Cylinder:
        way = surface.Cylinder().Axis().Direction()
    elif kind == GeomAbs_SurfaceType.GeomAbs_SurfaceOfExtrusion:
        way = surface.Direction()
    else:
        return False
    return float(np.linalg.norm(np.cross([way.X(), way.Y(), way.Z()], up))) < _UPRIGHT_SINE


def _footed(solid: Any, up: Array) -> tuple[Any, list[tuple[Any, float]]] | None:
    """The prism that a solid would be without the rounds at its foot, and those with their radii; else None.

    Its outline is the solid's top, above which nothing is round.
    """
    rounds, levels = [], []
    for face in each(solid, TopAbs_ShapeEnum.TopAbs_FACE):
        flat = outward(face)
        if flat is not None and abs(float(flat[1] @ up)) > 1 - 1e-12:
            levels.append((float(flat[0] @ up), face))
        elif not _is_upright(face, flat, up):
            rounds.append((face, round_mm(face)))
    if len(levels) != 2 or not rounds or not all(np.isfinite(r) for _, r in rounds):
        return None
    (low, _), (high, top) = sorted(levels, key=lambda pair: pair[0])
    down = gp_Vec(*(float(c) for c in (low - high) * up))
    (prism,) = solids_of(BRepPrimAPI_MakePrism(top, down).Shape())
    return prism, rounds


def _blended(solid: Any, rounds: Sequence[tuple[Any, float]], gap_mm: float) -> Any:
    """The edges beside the cavity's rounds made round by what the gap leaves of the radius, if anything."""
    blend = BRepFilletAPI_MakeFillet(solid)
    for shape in each(solid, TopAbs_ShapeEnum.TopAbs_EDGE):
        edge = TopoDS.Edge_s(shape)
        curve = BRepAdaptor_Curve(edge)
        middle = vertex(curve.Value((curve.FirstParameter() + curve.LastParameter()) / 2).Coord())
        off, radius = min((distance_mm(face, middle), r) for face, r in rounds)
        if radius > gap_mm and off < _BESIDE_ROUND * radius:
            blend.Add(radius - gap_mm, edge)
    if blend.NbContours() == 0:
        return solid
    blend.Build()
    bodies = solids_of(blend.Shape()) if blend.IsDone() else []
    if len(bodies) != 1:
        raise KernelError("the kernel could not make the electrode's foot round")
    return bodies[0]


def _in_plane(solid: Any, bottom: Any, gap_mm: float, up: Array) -> list[Any]:
    heights = [
        float(np.array([p.X(), p.Y(), p.Z()]) @ up)
        for p in (_point(v) for v in each(solid, TopAbs_ShapeEnum.TopAbs_VERTEX))
    ]
    depth = max(heights) - min(heights)
    length = depth - 2 * gap_mm
    if length <= 0:
        raise FilledError(f"the cavity is {depth:.3f} deep, not over twice the {gap_mm:g} gap")
    face = TopoDS.Face_s(bottom)
    offset = BRepOffsetAPI_MakeOffset(face, GeomAbs_JoinType.GeomAbs_Arc)
    offset.Perform(-gap_mm)
    if not offset.IsDone():
        raise KernelError("the kernel could not offset the cavity's outline")
    shape = offset.Shape()
    wires = [] if shape is None or shape.IsNull() else each(shape, TopAbs_ShapeEnum.TopAbs_WIRE)
    flat = outward(bottom)
    assert flat is not None
    plane = gp_Pln(gp_Pnt(*flat[0]), gp_Dir(*(float(c) for c in up)))
    lift = gp_Vec(*(float(c) for c in gap_mm * up))
    bodies = []
    for region in _regions([TopoDS.Wire_s(w) for w in wires], plane):
        move = gp_Trsf()
        move.SetTranslation(lift)
        lifted = BRepBuilderAPI_Transform(region, move, True).Shape()
        way = gp_Vec(*(float(c) for c in length * up))
        bodies += solids_of(BRepPrimAPI_MakePrism(lifted, way).Shape())
    return bodies


def _point(v: Any) -> Any:
    return BRep_Tool.Pnt_s(TopoDS.Vertex_s(v))


def _regions(wires: Sequence[Any], plane: Any) -> list[Any]:
    """Faces from closed wires in a plane: the larger hold the smaller as holes."""
    discs = []
    for wire in wires:
        made = BRepBuilderAPI_MakeFace(plane, wire, True)
        if not made.IsDone():
            raise KernelError("the offset of the outline does not close")
        discs.append(made.Face())
    discs.sort(key=_area, reverse=True)
    outer: list[tuple[Any, list[Any]]] = []
    for disc in discs:
        inside = next((o for o in outer if _holds(o[0], disc)), None)
        if inside is None:
            outer.append((disc, []))
        else:
            inside[1].append(disc)
    found = []
    for disc, holes in outer:
        shape = cut(disc, holes) if holes else disc
        found += each(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    return found


def _area(face: Any) -> float:
    properties = GProp_GProps()
    BRepGProp.SurfaceProperties_s(face, properties)
    return abs(float(properties.Mass()))


def _holds(face: Any, other: Any) -> bool:
    """Whether a point of another face's edge lies in a face."""
    edge = TopoDS.Edge_s(each(other, TopAbs_ShapeEnum.TopAbs_EDGE)[0])
    curve = BRepAdaptor_Curve(edge)
    point = curve.Value((curve.FirstParameter() + curve.LastParameter()) / 2)
    state = BRepClass_FaceClassifier(face, point, 1e-7).State()
    return bool(state in (TopAbs_State.TopAbs_IN, TopAbs_State.TopAbs_ON))

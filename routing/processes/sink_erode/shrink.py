"""A solid less the gap everywhere: what stays is every point of it that is at least the gap from its skin.

Upright walls over one flat bottom are offset in the plane, exactly, with arcs; a convex cavity is bounded by
its own surfaces, moved in; all else is the kernel's 3-D offset, in a process of its own because it may crash.
At an edge where the part stands out into the void the electrode's hollow edge is round about it, so that the
clearance is the gap there too; where the cavity has an inside corner the electrode's edge is sharp.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Curve, BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Common, BRepAlgoAPI_Defeaturing
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeSolid, BRepBuilderAPI_Transform
from OCP.BRepClass import BRepClass_FaceClassifier
from OCP.BRepGProp import BRepGProp
from OCP.BRepLib import BRepLib
from OCP.BRepOffset import BRepOffset_Mode
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakeOffset, BRepOffsetAPI_MakeOffsetShape
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCone,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakePrism,
    BRepPrimAPI_MakeSphere,
)
from OCP.BRepTools import BRepTools
from OCP.Geom import Geom_ToroidalSurface
from OCP.GeomAbs import GeomAbs_JoinType, GeomAbs_SurfaceType
from OCP.gp import gp_Ax2, gp_Dir, gp_Pln, gp_Pnt, gp_Trsf, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.STEPControl import STEPControl_Reader, STEPControl_StepModelType, STEPControl_Writer
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum, TopAbs_State
from OCP.TopoDS import TopoDS, TopoDS_Shape

from featurize.brep.part import Convexity
from featurize.brep.shapes import each
from featurize.brep.solids import KernelError, cut, is_valid, solids_of, volume_of
from featurize.brep.surfaces import Array, Cone, Cylinder, Plane, Sphere
from routing.processes.sink_erode.cavity import Cavity, drawn_out, outward, raised

_UPRIGHT_SINE = 1e-7
_OFFSET_TOLERANCE_MM = 1e-6
# The kernel's offset takes a second or two; one that runs on has lost its way.
_TIME_LIMIT_S = 40.0


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
    return [body for piece in pieces for body in _in_space(piece, gap_mm)]


# Each gives the solids of the form, or None where it does not apply; its result is still to be proven.
METHODS = {"plane": in_plane, "faces": by_faces, "space": in_space}


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


def _in_space(solid: Any, gap_mm: float) -> list[Any]:
    """The kernel's 3-D offset, in a process of its own."""
    with tempfile.TemporaryDirectory() as place:
        before, after = Path(place) / "before.brep", Path(place) / "after.brep"
        BRepTools.Write_s(solid, str(before))
        command = [
            sys.executable,
            "-m",
            "routing.processes.sink_erode.shrink",
            str(before),
            str(after),
            repr(gap_mm),
        ]
        try:
            done = subprocess.run(command, capture_output=True, timeout=_TIME_LIMIT_S, check=False)
        except subprocess.TimeoutExpired as error:
            raise KernelError("the kernel's offset of the cavity does not end") from error
        if done.returncode < 0:
            raise KernelError(f"the kernel crashed on the offset of the cavity (signal {-done.returncode})")
        if done.returncode or not after.exists():
            raise KernelError("the kernel's offset of the cavity is no valid body")
        shape = TopoDS_Shape()
        BRepTools.Read_s(shape, str(after), BRep_Builder())
    return solids_of(shape)


def _child(before: str, after: str, gap_mm: float) -> int:
    """0 when a valid offset was written. Tried as it is, then with its degenerate edges made anew."""
    shape = TopoDS_Shape()
    BRepTools.Read_s(shape, before, BRep_Builder())
    shape = _without_small_rounds(shape, gap_mm)
    body = _offset(shape, gap_mm) or _offset(_reread(shape, after + ".step"), gap_mm)
    if body is None:
        return 1
    BRepTools.Write_s(body, after)
    return 0


def _offset(shape: Any, gap_mm: float) -> Any | None:
    """A valid solid, or None."""
    offset = BRepOffsetAPI_MakeOffsetShape()
    mode, join = BRepOffset_Mode.BRepOffset_Skin, GeomAbs_JoinType.GeomAbs_Arc
    try:
        offset.PerformByJoin(shape, -gap_mm, _OFFSET_TOLERANCE_MM, mode, False, False, join)
        made = offset.Shape() if offset.IsDone() else None
    except Exception:  # the kernel's own have many names
        return None
    if made is None:
        return None
    _plain_tori(made)
    bodies = solids_of(made)
    if not bodies:
        for shell in each(made, TopAbs_ShapeEnum.TopAbs_SHELL):
            body = BRepBuilderAPI_MakeSolid(TopoDS.Shell_s(shell)).Solid()
            BRepLib.OrientClosedSolid_s(body)
            bodies.append(body)
    return bodies[0] if len(bodies) == 1 and is_valid(bodies[0]) and volume_of(bodies[0]) > 0 else None


def _plain_tori(shape: Any) -> None:
    """Tori again where the kernel left offsets of them: same parameters, but normals at poles."""
    builder = BRep_Builder()
    for face in map(TopoDS.Face_s, each(shape, TopAbs_ShapeEnum.TopAbs_FACE)):
        surface = BRepAdaptor_Surface(face, False)
        if surface.GetType() != GeomAbs_SurfaceType.GeomAbs_OffsetSurface:
            continue
        basis = surface.BasisSurface()
        if basis.GetType() != GeomAbs_SurfaceType.GeomAbs_Torus:
            continue
        torus = basis.Torus()
        u0, u1, v0, v1 = BRepTools.UVBounds_s(face)
        at = (u0 + u1) / 2, (v0 + v1) / 2
        for sign in (1, -1):
            minor = torus.MinorRadius() + sign * surface.OffsetValue()
            if minor <= 0:
                continue
            plain = Geom_ToroidalSurface(torus.Position(), torus.MajorRadius(), minor)
            if plain.Value(*at).Distance(surface.Value(*at)) < _OFFSET_TOLERANCE_MM:
                builder.UpdateFace(face, plain, face.Location(), BRep_Tool.Tolerance_s(face))


def _reread(shape: Any, path: str) -> Any:
    """The shape through STEP: after a boolean the offset stumbles over poles that reading makes anew."""
    writer = STEPControl_Writer()
    writer.Transfer(shape, STEPControl_StepModelType.STEPControl_AsIs)
    writer.Write(path)
    reader = STEPControl_Reader()
    reader.ReadFile(path)
    reader.TransferRoots()
    return reader.OneShape()


def _without_small_rounds(shape: Any, gap_mm: float) -> Any:
    """Rounds that the gap swallows made sharp: the electrode's edge is sharp there, and no nearer."""
    small = [f for f in each(shape, TopAbs_ShapeEnum.TopAbs_FACE) if _round_mm(f) <= gap_mm * (1 + 1e-6)]
    if not small:
        return shape
    sharp = BRepAlgoAPI_Defeaturing()
    sharp.SetShape(shape)
    for face in small:
        sharp.AddFaceToRemove(face)
    sharp.Build()
    return sharp.Shape() if sharp.IsDone() and is_valid(sharp.Shape()) else shape


def _round_mm(face: Any) -> float:
    """The radius of a face that bulges out of its solid; infinite for others."""
    surface = BRepAdaptor_Surface(TopoDS.Face_s(face))
    match surface.GetType():
        case GeomAbs_SurfaceType.GeomAbs_Cylinder:
            found, radius = surface.Cylinder(), surface.Cylinder().Radius()
        case GeomAbs_SurfaceType.GeomAbs_Torus:
            found, radius = surface.Torus(), surface.Torus().MinorRadius()
        case GeomAbs_SurfaceType.GeomAbs_Sphere:
            found, radius = surface.Sphere(), surface.Sphere().Radius()
        case _:
            return float("inf")
    forward = face.Orientation() == TopAbs_Orientation.TopAbs_FORWARD
    return float(radius) if forward == found.Position().Direct() else float("inf")


if __name__ == "__main__":
    sys.exit(_child(sys.argv[1], sys.argv[2], float(sys.argv[3])))

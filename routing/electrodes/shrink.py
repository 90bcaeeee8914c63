"""A solid less the gap everywhere: what stays is every point of it that is at least the gap from its skin.

Upright walls over one flat bottom are offset in the plane, exactly, with arcs; all else is the kernel's 3-D
offset, which runs in a process of its own because it may crash. At an edge where the part stands out into
the void the electrode's hollow edge is round about it, so that the clearance is the gap there too; where the
cavity has an inside corner the electrode's edge is sharp.
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
from OCP.BRepAlgoAPI import BRepAlgoAPI_Defeaturing
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace, BRepBuilderAPI_MakeSolid, BRepBuilderAPI_Transform
from OCP.BRepClass import BRepClass_FaceClassifier
from OCP.BRepGProp import BRepGProp
from OCP.BRepLib import BRepLib
from OCP.BRepOffset import BRepOffset_Mode
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakeOffset, BRepOffsetAPI_MakeOffsetShape
from OCP.BRepPrimAPI import BRepPrimAPI_MakePrism
from OCP.BRepTools import BRepTools
from OCP.GeomAbs import GeomAbs_JoinType, GeomAbs_SurfaceType
from OCP.gp import gp_Dir, gp_Pln, gp_Pnt, gp_Trsf, gp_Vec
from OCP.GProp import GProp_GProps
from OCP.STEPControl import STEPControl_Reader, STEPControl_StepModelType, STEPControl_Writer
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum, TopAbs_State
from OCP.TopoDS import TopoDS, TopoDS_Shape

from featurize.brep.surfaces import Array
from routing.electrodes.cavity import outward
from routing.stock.solids import KernelError, cut, is_valid, parts_of, solids_of, volume_of

_UPRIGHT_SINE = 1e-7
_OFFSET_TOLERANCE_MM = 1e-6
# The kernel's offset takes a second or two; one that runs on has lost its way.
_TIME_LIMIT_S = 40.0


def shrunk(solid: Any, gap_mm: float, up: Array) -> tuple[list[Any], str]:
    """The solids that are left (none where the gap fills it), and how: "plane" or "space".

    Raises KernelError; the result is still to be verified.
    """
    bottom = _prismatic(solid, up)
    if bottom is not None:
        return _in_plane(solid, bottom, gap_mm, up), "plane"
    return _in_space(solid, gap_mm), "space"


def _prismatic(solid: Any, up: Array) -> Any | None:
    """The bottom face of a solid with upright walls, one flat bottom and one flat top; else None."""
    level: list[Any] = []
    tops: list[Any] = []
    for face in parts_of(solid, TopAbs_ShapeEnum.TopAbs_FACE):
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
        for p in (_point(v) for v in parts_of(solid, TopAbs_ShapeEnum.TopAbs_VERTEX))
    ]
    length = max(heights) - min(heights) - 2 * gap_mm
    if length <= 0:
        return []
    face = TopoDS.Face_s(bottom)
    offset = BRepOffsetAPI_MakeOffset(face, GeomAbs_JoinType.GeomAbs_Arc)
    offset.Perform(-gap_mm)
    if not offset.IsDone():
        raise KernelError("the kernel could not offset the cavity's outline")
    shape = offset.Shape()
    wires = [] if shape is None or shape.IsNull() else parts_of(shape, TopAbs_ShapeEnum.TopAbs_WIRE)
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
        found += parts_of(shape, TopAbs_ShapeEnum.TopAbs_FACE)
    return found


def _area(face: Any) -> float:
    properties = GProp_GProps()
    BRepGProp.SurfaceProperties_s(face, properties)
    return abs(float(properties.Mass()))


def _holds(face: Any, other: Any) -> bool:
    """Whether a point of another face's edge lies in a face."""
    edge = TopoDS.Edge_s(parts_of(other, TopAbs_ShapeEnum.TopAbs_EDGE)[0])
    curve = BRepAdaptor_Curve(edge)
    point = curve.Value((curve.FirstParameter() + curve.LastParameter()) / 2)
    state = BRepClass_FaceClassifier(face, point, 1e-7).State()
    return bool(state in (TopAbs_State.TopAbs_IN, TopAbs_State.TopAbs_ON))


def _in_space(solid: Any, gap_mm: float) -> list[Any]:
    """The kernel's 3-D offset, in a process of its own."""
    with tempfile.TemporaryDirectory() as place:
        before, after = Path(place) / "before.brep", Path(place) / "after.brep"
        BRepTools.Write_s(solid, str(before))
        command = [sys.executable, "-m", "routing.electrodes.shrink", str(before), str(after), repr(gap_mm)]
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
    bodies = solids_of(made)
    if not bodies:
        for shell in parts_of(made, TopAbs_ShapeEnum.TopAbs_SHELL):
            body = BRepBuilderAPI_MakeSolid(TopoDS.Shell_s(shell)).Solid()
            BRepLib.OrientClosedSolid_s(body)
            bodies.append(body)
    return bodies[0] if len(bodies) == 1 and is_valid(bodies[0]) and volume_of(bodies[0]) > 0 else None


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
    small = [f for f in parts_of(shape, TopAbs_ShapeEnum.TopAbs_FACE) if _round_mm(f) <= gap_mm * (1 + 1e-6)]
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

"""The kernel's 3-D offset of any cavity, in a process of its own: it may crash, or not end."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from OCP.BRep import BRep_Builder, BRep_Tool
from OCP.BRepAdaptor import BRepAdaptor_Surface
from OCP.BRepAlgoAPI import BRepAlgoAPI_Defeaturing
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeSolid
from OCP.BRepLib import BRepLib
from OCP.BRepOffset import BRepOffset_Mode
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakeOffsetShape
from OCP.BRepTools import BRepTools
from OCP.Geom import Geom_ToroidalSurface
from OCP.GeomAbs import GeomAbs_JoinType, GeomAbs_SurfaceType
from OCP.STEPControl import STEPControl_Reader, STEPControl_StepModelType, STEPControl_Writer
from OCP.TopAbs import TopAbs_Orientation, TopAbs_ShapeEnum
from OCP.TopoDS import TopoDS, TopoDS_Shape

from featurize import system
from featurize.brep.shapes import each
from featurize.brep.solids import KernelError, is_valid, solids_of, volume_of
from featurize.errors import StepError
from featurize.isolate import run_isolated

_OFFSET_TOLERANCE_MM = 1e-6
# The kernel's offset takes a second or two of the processor; one that runs on has lost its way. A busy
# machine stretches the clock, not that: the clock's limit is for systems that cannot limit the processor.
_CPU_LIMIT_S = 40
_TIME_LIMIT_S = 400.0


def offset_in_space(solid: Any, gap_mm: float) -> list[Any]:
    """A solid less the gap everywhere; raises KernelError."""
    with tempfile.TemporaryDirectory() as place:
        before, after = Path(place) / "before.brep", Path(place) / "after.brep"
        BRepTools.Write_s(solid, str(before))
        try:
            done = run_isolated(_offset_file, str(before), str(after), gap_mm, time_limit_s=_TIME_LIMIT_S)
        except StepError as error:
            raise KernelError(f"the kernel's offset of the cavity failed: {error}") from error
        if not done:
            raise KernelError("the kernel's offset of the cavity is no valid body")
        shape = TopoDS_Shape()
        BRepTools.Read_s(shape, str(after), BRep_Builder())
    return solids_of(shape)


def _offset_file(before: str, after: str, gap_mm: float) -> bool:
    """Whether a valid offset was written. Tried as it is, then with its degenerate edges made anew."""
    system.limit_cpu(_CPU_LIMIT_S)
    shape = TopoDS_Shape()
    BRepTools.Read_s(shape, before, BRep_Builder())
    shape = _without_small_rounds(shape, gap_mm)
    body = _offset(shape, gap_mm) or _offset(_reread(shape, after + ".step"), gap_mm)
    if body is not None:
        BRepTools.Write_s(body, after)
    return body is not None


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
    small = [f for f in each(shape, TopAbs_ShapeEnum.TopAbs_FACE) if round_mm(f) <= gap_mm * (1 + 1e-6)]
    if not small:
        return shape
    sharp = BRepAlgoAPI_Defeaturing()
    sharp.SetShape(shape)
    for face in small:
        sharp.AddFaceToRemove(face)
    sharp.Build()
    return sharp.Shape() if sharp.IsDone() and is_valid(sharp.Shape()) else shape


def round_mm(face: Any) -> float:
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

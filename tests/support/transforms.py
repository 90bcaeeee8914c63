"""Changes that leave a part the same part, and STEP files of it in every dress.

Shapes are TopoDS_Shape, lengths millimetres, angles degrees.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from OCP.Bnd import Bnd_Box
from OCP.BRepAlgoAPI import BRepAlgoAPI_Section, BRepAlgoAPI_Splitter
from OCP.BRepBndLib import BRepBndLib
from OCP.BRepBuilderAPI import BRepBuilderAPI_NurbsConvert, BRepBuilderAPI_Transform
from OCP.gp import gp_Ax1, gp_Ax2, gp_Dir, gp_Pln, gp_Pnt, gp_Trsf, gp_Vec
from OCP.IFSelect import IFSelect_ReturnStatus
from OCP.Interface import Interface_Static
from OCP.ShapeUpgrade import ShapeUpgrade_UnifySameDomain
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_Controller, STEPControl_StepModelType
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS
from OCP.TopTools import TopTools_ListOfShape
from OCP.XCAFDoc import XCAFDoc_DocumentTool

from featurize.brep.shapes import EDGE, FACE, SOLID, each
from featurize.step.quiet import quiet_kernel

Vec3 = tuple[float, float, float]

# The kernel's names of the schemas it can write.
SCHEMAS = {"AP203": "AP203", "AP214": "AP214IS", "AP242": "AP242DIS"}


def motion(axis: Vec3 = (0, 0, 1), angle_deg: float = 0, shift_mm: Vec3 = (0, 0, 0)) -> gp_Trsf:
    """A turn about an axis through the origin, then a shift."""
    turn, shift = gp_Trsf(), gp_Trsf()
    turn.SetRotation(gp_Ax1(gp_Pnt(0, 0, 0), gp_Dir(*axis)), math.radians(angle_deg))
    shift.SetTranslation(gp_Vec(*shift_mm))
    return shift.Multiplied(turn)


def moved(shape: Any, axis: Vec3 = (0, 0, 1), angle_deg: float = 0, shift_mm: Vec3 = (0, 0, 0)) -> Any:
    """The shape turned and shifted, its geometry rewritten."""
    return BRepBuilderAPI_Transform(shape, motion(axis, angle_deg, shift_mm), True).Shape()


def mirrored(shape: Any, normal: Vec3 = (1, 0, 0), through: Vec3 = (0, 0, 0)) -> Any:
    """The shape seen in a plane mirror."""
    mirror = gp_Trsf()
    mirror.SetMirror(gp_Ax2(gp_Pnt(*through), gp_Dir(*normal)))
    return BRepBuilderAPI_Transform(shape, mirror, True).Shape()


def as_bsplines(shape: Any) -> Any:
    """The same shape, every surface and curve a B-spline."""
    return BRepBuilderAPI_NurbsConvert(shape, True).Shape()


def with_split_faces(shape: Any, every: int = 2, start: int = 0) -> Any:
    """The same solid, every n-th face cut in two by a plane through its middle.

    The cuts go across the longest and the second longest side of the face's box in turn.
    """
    cuts = TopTools_ListOfShape()
    for turn, face in enumerate(each(shape, FACE)[start::every]):
        section = BRepAlgoAPI_Section(face, _middle_plane(face, turn % 2), False)
        section.Approximation(True)
        section.ComputePCurveOn1(True)
        section.Build()
        for edge in each(section.Shape(), EDGE):
            cuts.Append(edge)
    whole = TopTools_ListOfShape()
    whole.Append(shape)
    splitter = BRepAlgoAPI_Splitter()
    splitter.SetArguments(whole)
    splitter.SetTools(cuts)  # an edge that lies on a face cuts it, and the faces beside it follow
    splitter.Build()
    return TopoDS.Solid_s(each(splitter.Shape(), SOLID)[0])


def with_joined_faces(shape: Any) -> Any:
    """The same solid, faces that lie on one surface joined, and edges on one curve."""
    join = ShapeUpgrade_UnifySameDomain(shape, True, True, False)
    join.Build()
    return TopoDS.Solid_s(each(join.Shape(), SOLID)[0])


def _middle_plane(face: Any, rank: int) -> gp_Pln:
    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(face, box, False)
    low, high = box.CornerMin(), box.CornerMax()
    spans = [high.X() - low.X(), high.Y() - low.Y(), high.Z() - low.Z()]
    axis = sorted(range(3), key=lambda i: -spans[i])[rank]
    middle = gp_Pnt((low.X() + high.X()) / 2, (low.Y() + high.Y()) / 2, (low.Z() + high.Z()) / 2)
    return gp_Pln(middle, gp_Dir(*(float(i == axis) for i in range(3))))


def write_step(
    shape: Any, path: Path, *, schema: str = "AP214", unit: str = "MM", name: str = "part"
) -> Path:
    """Writes one shape; ``schema`` AP203, AP214 or AP242, ``unit`` MM, CM, M or INCH."""
    document, tool = _document()
    _name(tool.AddShape(shape, False), name)
    return _write(document, path, schema, unit)


def write_assembly(
    products: Sequence[tuple[str, Any, Sequence[gp_Trsf]]],
    path: Path,
    *,
    schema: str = "AP214",
    unit: str = "MM",
    name: str = "assembly",
) -> Path:
    """Writes an assembly of (product name, shape, its places)."""
    document, tool = _document()
    top = tool.NewShape()
    _name(top, name)
    for product, shape, places in products:
        label = tool.AddShape(shape, False)
        _name(label, product)
        for place in places:
            tool.AddComponent(top, label, TopLoc_Location(place))
    tool.UpdateAssemblies()
    return _write(document, path, schema, unit)


def write_in_assembly(
    shape: Any, path: Path, *, place: gp_Trsf | None = None, name: str = "part", schema: str = "AP214"
) -> Path:
    """Writes the shape as the one component of an assembly, moved to ``place``."""
    where = place if place is not None else motion((1, 2, 3), 40, (7, -5, 11))
    return write_assembly([(name, shape, [where])], path, schema=schema)


def _document() -> tuple[Any, Any]:
    document = TDocStd_Document(TCollection_ExtendedString("step"))
    return document, XCAFDoc_DocumentTool.ShapeTool_s(document.Main())


def _name(label: Any, name: str) -> None:
    TDataStd_Name.Set_s(label, TCollection_ExtendedString(name))


def _write(document: Any, path: Path, schema: str, unit: str) -> Path:
    """Writes beside the path and renames, so that a reader never sees half a file."""
    rough = path.with_name(path.name + ".tmp")
    try:
        with _settings({"write.step.schema": SCHEMAS[schema], "write.step.unit": unit}):
            writer = STEPCAFControl_Writer()
            writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
            if writer.Write(str(rough)) != IFSelect_ReturnStatus.IFSelect_RetDone:
                raise OSError(f"the kernel could not write {path}")
        rough.replace(path)
    finally:
        rough.unlink(missing_ok=True)
    return path


@contextmanager
def _settings(wanted: dict[str, str]) -> Iterator[None]:
    """The kernel's writer settings are global: set for the while, then put back."""
    STEPControl_Controller.Init_s()
    before = {key: Interface_Static.CVal_s(key) for key in wanted}
    try:
        for key, value in wanted.items():
            if not Interface_Static.SetCVal_s(key, value):
                raise ValueError(f"the kernel knows no {key} {value}")
        with quiet_kernel():
            yield
    finally:
        for key, value in before.items():
            Interface_Static.SetCVal_s(key, value)

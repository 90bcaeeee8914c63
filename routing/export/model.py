"""The part as STEP, each face in the colour of its process and named by process and feature."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from routing.export.header import UNSIGNED, FileHeader
from routing.export.palette import rgb


def write_model(
    solid: Any, faces: Sequence[tuple[str, str]], name: str, path: Path, header: FileHeader = UNSIGNED
) -> None:
    """Writes a solid (mm) whose faces, in TopExp.MapShapes order, have (process, label).

    ``process`` is a key of the palette. Raises OSError when the kernel cannot write the file.
    """
    from OCP.BRepBuilderAPI import BRepBuilderAPI_Transform
    from OCP.IFSelect import IFSelect_ReturnStatus
    from OCP.Interface import Interface_Static
    from OCP.Quantity import Quantity_Color, Quantity_TypeOfColor
    from OCP.STEPCAFControl import STEPCAFControl_Controller, STEPCAFControl_Writer
    from OCP.STEPControl import STEPControl_StepModelType
    from OCP.TCollection import TCollection_ExtendedString
    from OCP.TDataStd import TDataStd_Name
    from OCP.TDocStd import TDocStd_Document
    from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

    from featurize.brep.shapes import FACE, each, unlocated
    from featurize.step.quiet import quiet_kernel

    # XCAF takes names and colours only of faces in a shape's own place: write the place into the geometry.
    move = solid.Location().Transformation()
    solid = BRepBuilderAPI_Transform(unlocated(solid), move, True).Shape()
    kernel_faces = each(solid, FACE)
    if len(kernel_faces) != len(faces):
        raise ValueError(f"{len(faces)} labels for {len(kernel_faces)} faces")
    with quiet_kernel():
        document = TDocStd_Document(TCollection_ExtendedString("model"))
        shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
        colours = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
        top = shapes.AddShape(solid, False)
        TDataStd_Name.Set_s(top, TCollection_ExtendedString(name, True))
        for face, (process, label) in zip(kernel_faces, faces, strict=True):
            place = shapes.AddSubShape(top, face)
            TDataStd_Name.Set_s(place, TCollection_ExtendedString(label, True))
            colour = Quantity_Color(*rgb(process), Quantity_TypeOfColor.Quantity_TOC_sRGB)
            colours.SetColor(place, colour, XCAFDoc_ColorType.XCAFDoc_ColorSurf)
        STEPCAFControl_Controller.Init_s()  # makes the settings below known
        Interface_Static.SetCVal_s("write.step.schema", "AP214IS")
        Interface_Static.SetCVal_s("write.step.unit", "MM")
        Interface_Static.SetIVal_s("write.stepcaf.subshapes.name", 1)
        writer = STEPCAFControl_Writer()
        writer.SetColorMode(True)
        writer.SetNameMode(True)
        writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
        header.put(writer, name)
        if writer.Write(str(path)) != IFSelect_ReturnStatus.IFSelect_RetDone:
            raise OSError(f"the kernel could not write {path}")

"""AP242 files with semantic PMI, written by the kernel itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cadquery as cq
from OCP import XCAFDimTolObjects as Objects
from OCP.Interface import Interface_Static
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_StepModelType
from OCP.TCollection import TCollection_ExtendedString
from OCP.TCollection import TCollection_HAsciiString as Text
from OCP.TDF import TDF_LabelSequence
from OCP.TDocStd import TDocStd_Document
from OCP.XCAFApp import XCAFApp_Application
from OCP.XCAFDoc import XCAFDoc_Datum, XCAFDoc_Dimension, XCAFDoc_DocumentTool, XCAFDoc_GeomTolerance

from featurize.brep.shapes import FACE, each

MM_PER = {"MM": 1.0, "INCH": 25.4}
Pick = Callable[[cq.Face], bool]


def bore(face: cq.Face) -> bool:
    return face.geomType() == "CYLINDER"


def at_height(z: float) -> Pick:
    return lambda face: face.geomType() == "PLANE" and abs(face.Center().z - z) < 1e-6


@dataclass(frozen=True)
class Size:
    on: Pick
    value_mm: float
    upper_mm: float | None = None
    lower_mm: float | None = None
    text: str = ""
    kind: str = "Size_Diameter"


@dataclass(frozen=True)
class Tolerance:
    on: Pick
    kind: str  # the kernel's word
    value_mm: float
    datum: str = ""


def write(
    path: Path,
    solid: cq.Workplane,
    asked: Sequence[Size | Tolerance],
    datums: Mapping[str, Pick] | None = None,
    unit: str = "MM",
) -> Path:
    """Writes AP242.

    The kernel's writer puts PMI values down as they are, whatever the file's unit: they are scaled here.
    It negates a lower deviation, so it gets the deviation turned round; and without a dimension it
    writes no tolerance either.
    """
    document = TDocStd_Document(TCollection_ExtendedString("BinXCAF"))
    XCAFApp_Application.GetApplication_s().InitDocument(document)
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    tool = XCAFDoc_DocumentTool.DimTolTool_s(document.Main())
    shape = solid.val().wrapped
    product = shapes.AddShape(shape, False)
    scale = 1 / MM_PER[unit]
    assert any(isinstance(ask, Size) for ask in asked), "the kernel would write nothing"

    def labels(pick: Pick) -> Any:
        found = TDF_LabelSequence()
        for face in each(shape, FACE):
            if pick(cq.Face(face)):
                found.Append(shapes.AddSubShape(product, face))
        assert found.Length(), "nothing picked"
        return found

    letters = {letter: labels(pick) for letter, pick in (datums or {}).items()}
    for ask in asked:
        if isinstance(ask, Size):
            label = tool.AddDimension()
            tool.SetDimension(labels(ask.on), TDF_LabelSequence(), label)
            XCAFDoc_Dimension.Set_s(label).SetObject(_size(ask, scale))
        else:
            label = tool.AddGeomTolerance()
            tool.SetGeomTolerance(labels(ask.on), label)
            shown = Objects.XCAFDimTolObjects_GeomToleranceObject()
            types = Objects.XCAFDimTolObjects_GeomToleranceType
            shown.SetType(getattr(types, f"XCAFDimTolObjects_GeomToleranceType_{ask.kind}"))
            shown.SetValue(ask.value_mm * scale)
            XCAFDoc_GeomTolerance.Set_s(label).SetObject(shown)
            for position, letter in enumerate(ask.datum, 1):
                referred = tool.AddDatum()
                tool.SetDatum(letters[letter], referred)
                named = Objects.XCAFDimTolObjects_DatumObject()
                named.SetName(Text(letter))
                named.SetPosition(position)
                XCAFDoc_Datum.Set_s(referred).SetObject(named)
                tool.SetDatumToGeomTol(referred, label)
    writer = STEPCAFControl_Writer()  # before the statics: they exist only from here on
    Interface_Static.SetCVal_s("write.step.unit", unit)
    Interface_Static.SetCVal_s("write.step.schema", "AP242DIS")
    writer.SetDimTolMode(True)
    try:
        assert writer.Transfer(document, STEPControl_StepModelType.STEPControl_AsIs)
        writer.Write(str(path))
    finally:
        Interface_Static.SetCVal_s("write.step.unit", "MM")
        Interface_Static.SetCVal_s("write.step.schema", "AP214IS")
    return path


def _size(ask: Size, scale: float) -> Any:
    shown = Objects.XCAFDimTolObjects_DimensionObject()
    types = Objects.XCAFDimTolObjects_DimensionType
    shown.SetType(getattr(types, f"XCAFDimTolObjects_DimensionType_{ask.kind}"))
    shown.SetValue(ask.value_mm * scale)
    if ask.upper_mm is not None and ask.lower_mm is not None:
        shown.SetUpperTolValue(ask.upper_mm * scale)
        shown.SetLowerTolValue(-ask.lower_mm * scale)
    if ask.text:
        shown.AddDescription(Text(ask.text), Text("note"))
    return shown
